"""The one HTTP client of the command line and the short child processes: every answer ends within bounds.

A server may drip its header, say "100 Continue" for ever, send without end or send a caller elsewhere. Here
the whole of a request has a time and a number of octets, redirects stay on the machine that was asked, no
proxy is used, and every way to fail is an HttpError with its kind, to which a caller adds its own remedy.
`fetch` gets one page, and tells every trouble in one line that names the address.
(The process that measures transfers counts on its connections, and uses a library made for many at once.)
"""

import http.client
import io
import socket
import ssl
import urllib.request
from collections.abc import Mapping
from enum import StrEnum
from http.cookiejar import CookieJar
from typing import Any
from urllib.parse import urljoin, urlsplit

from msgspec import Struct, field

from whichhop.errors import RemoteError
from whichhop.model.units import NS_PER_S
from whichhop.net.clock import Clock, SystemClock
from whichhop.outside import OutsideError, json_of, mapping
from whichhop.printable import printable, shown, without_secrets

MOST_REDIRECTS = 5
_MOST_HEAD = 128 << 10
"""Octets of status lines, headers and what chunks are framed with, beside the body's own limit."""
_MOST_ADDRESSES = 3
"""Of a name's addresses tried: one a protocol version, and one more."""
_STEP = 64 << 10
_MOVED = frozenset({301, 302, 303, 307, 308})
_KEEPS_METHOD = frozenset({307, 308})
_MOST_WHY = 200
SECONDS = 15.0
MOST_BYTES = 32 << 20


class Failure(StrEnum):
    """The kinds of failure; each wants another remedy."""

    BAD_ADDRESS = "bad address"
    SILENT = "no whole answer in time"
    UNREACHABLE = "unreachable"
    UNTRUSTED = "certificate not trusted"
    NOT_HTTP = "not HTTP"
    TOO_LARGE = "too large"
    BROKEN_OFF = "broken off"
    LEADS_AWAY = "leads away"


_REMEDIES = {
    Failure.BAD_ADDRESS: "write http://HOST:PORT/...",
    Failure.SILENT: "is the {of} running?",
    Failure.UNREACHABLE: "is the {of} running there?",
    Failure.UNTRUSTED: "check the address",
    Failure.NOT_HTTP: "is this {an}'s port?",
    Failure.TOO_LARGE: "ask for less at once",
    Failure.BROKEN_OFF: "try again; is the {of} running?",
    Failure.LEADS_AWAY: "check the address",
}


class HttpError(Exception):
    """There is no answer to a request. why: a few words for the person, without place and remedy."""

    def __init__(self, failure: Failure, why: str) -> None:
        self.failure, self.why = failure, printable(why, _MOST_WHY)
        super().__init__(self.why)


class HttpAnswer(Struct, frozen=True, kw_only=True):
    """A whole answer. charset: what its Content-Type names, if anything. headers: by small names."""

    status: int
    reason: str
    body: bytes
    charset: str | None
    headers: Mapping[str, str] = field(default_factory=dict)


class _Bounds:
    """What is left of a request's time and octets."""

    def __init__(self, clock: Clock, seconds: float, wait_s: float, octets: int) -> None:
        self._clock, self._wait_s = clock, wait_s
        self._end_ns = clock.mono_ns() + round(seconds * NS_PER_S)
        self.octets = octets

    def wait_s(self) -> float:
        """For the next wait; TimeoutError once the whole time is over."""
        left_s = (self._end_ns - self._clock.mono_ns()) / NS_PER_S
        if left_s <= 0:
            raise TimeoutError
        return min(left_s, self._wait_s)

    def took(self, octets: int) -> None:
        self.octets -= octets
        if self.octets < 0:
            raise HttpError(Failure.TOO_LARGE, "the answer does not end")


class _Raw(io.RawIOBase):
    """A socket's octets, each wait for them within the bounds."""

    def __init__(self, sock: socket.socket, bounds: _Bounds) -> None:
        self._sock, self._bounds = sock, bounds
        self._file = sock.makefile("rb", buffering=0)  # keeps the connection open until it is read

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any, /) -> int:
        self._sock.settimeout(self._bounds.wait_s())
        got = self._file.readinto(buffer) or 0
        self._bounds.took(got)
        return got

    def close(self) -> None:
        self._file.close()
        super().close()


class _Bounded:
    """What http.client takes for a socket when it begins to read an answer."""

    def __init__(self, sock: socket.socket, bounds: _Bounds) -> None:
        self._sock, self._bounds = sock, bounds

    def makefile(self, mode: str) -> io.BufferedReader:
        return io.BufferedReader(_Raw(self._sock, self._bounds))


class _Connection(http.client.HTTPConnection):
    def __init__(self, host: str, port: int | None, bounds: _Bounds, tls: ssl.SSLContext | None) -> None:
        self.default_port = 80 if tls is None else 443
        super().__init__(host, port)
        self._bounds, self._tls = bounds, tls
        self.response_class = self._answer  # type: ignore[assignment] # a maker will do

    def connect(self) -> None:
        self.sock = self._reached()
        if self._tls is not None:
            self.sock.settimeout(self._bounds.wait_s())  # the handshake as a whole, by the ssl module
            self.sock = self._tls.wrap_socket(self.sock, server_hostname=self.host)
        self.sock.settimeout(self._bounds.wait_s())  # for what is sent, as a whole

    def _reached(self) -> socket.socket:
        trouble: OSError = OSError("no address")
        for place in socket.getaddrinfo(self.host, self.port, type=socket.SOCK_STREAM)[:_MOST_ADDRESSES]:
            family, kind, protocol, _, target = place
            sock = socket.socket(family, kind, protocol)
            try:
                sock.settimeout(self._bounds.wait_s())
                sock.connect(target)
            except OSError as error:
                sock.close()
                trouble = error
            else:
                return sock
        raise trouble

    def _answer(self, sock: socket.socket, *args: Any, **more: Any) -> http.client.HTTPResponse:
        return http.client.HTTPResponse(_Bounded(sock, self._bounds), *args, **more)  # type: ignore[arg-type]


def trusting(*, any_certificate: bool = False) -> ssl.SSLContext:
    """How a server proves who it is; any_certificate: not at all, for a device with one of its own."""
    context = ssl.create_default_context()
    if any_certificate:
        context.check_hostname = False
        context.verify_mode = ssl.CERT_NONE
    return context


class HttpClient:
    """Asks servers one after the other and keeps their cookies; blocking.

    seconds: for one request with all its redirects. wait_s: for each wait within it, the same unless given.
    tls: whom TLS trusts, in place of the system's authorities.
    most_octets: of a body. follow: redirects within the machine are followed, else they are the answer.
    """

    def __init__(
        self,
        *,
        seconds: float,
        most_octets: int,
        wait_s: float | None = None,
        follow: bool = False,
        any_certificate: bool = False,
        clock: Clock | None = None,
        tls: ssl.SSLContext | None = None,
    ) -> None:
        self._seconds, self._wait_s, self._most_octets = seconds, wait_s or seconds, most_octets
        self._follow, self._any_certificate = follow, any_certificate
        self._clock, self._tls = clock or SystemClock(), tls
        self._cookies = CookieJar()

    def ask(
        self, url: str, *, headers: Mapping[str, str] | None = None, body: bytes | None = None
    ) -> HttpAnswer:
        """The server's answer, whatever its status; a POST where there is a body. HttpError otherwise."""
        bounds = _Bounds(self._clock, self._seconds, self._wait_s, self._most_octets + _MOST_HEAD)
        for _ in range(MOST_REDIRECTS + 1):
            answer, location = self._once(url, dict(headers or {}), body, bounds)
            if not self._follow or answer.status not in _MOVED or not location:
                return answer
            url = _within(url, location)
            body = body if answer.status in _KEEPS_METHOD else None
        raise HttpError(Failure.LEADS_AWAY, f"is moved on more than {MOST_REDIRECTS} times")

    def _once(
        self, url: str, headers: dict[str, str], body: bytes | None, bounds: _Bounds
    ) -> tuple[HttpAnswer, str]:
        host, port, secure = _parts(url)
        connection: _Connection | None = None
        try:
            tls = (self._tls or trusting(any_certificate=self._any_certificate)) if secure else None
            connection = _Connection(host, port, bounds, tls)
            # The cookie jar speaks with urllib's own request; nothing is opened by it.
            carrier = urllib.request.Request(url, data=body, headers=headers)  # noqa: S310
            self._cookies.add_cookie_header(carrier)
            path = carrier.selector if carrier.selector.startswith("/") else f"/{carrier.selector}"
            connection.request(carrier.get_method(), path, body, dict(carrier.header_items()))
            with connection.getresponse() as response:
                self._cookies.extract_cookies(response, carrier)
                answer = HttpAnswer(
                    status=response.status,
                    reason=printable(response.reason, _MOST_WHY),
                    body=self._body(response),
                    charset=response.headers.get_content_charset(),
                    headers={name.lower(): value for name, value in response.headers.items()},
                )
                return answer, response.getheader("Location") or ""
        except TimeoutError:
            raise HttpError(Failure.SILENT, f"no whole answer within {self._seconds:g} s") from None
        except ssl.SSLError as error:
            raise HttpError(Failure.UNTRUSTED, error.reason or "TLS failed") from None
        except (ConnectionResetError, BrokenPipeError, http.client.IncompleteRead) as error:
            raise HttpError(Failure.BROKEN_OFF, _words(error)) from None
        except http.client.InvalidURL as error:
            raise HttpError(Failure.BAD_ADDRESS, str(error)) from None
        except OSError as error:
            raise HttpError(Failure.UNREACHABLE, _words(error)) from None
        except (http.client.HTTPException, UnicodeError, ValueError) as error:
            raise HttpError(Failure.NOT_HTTP, f"{type(error).__name__} {error}".strip()) from None
        finally:
            if connection is not None:
                connection.close()

    def _body(self, response: http.client.HTTPResponse) -> bytes:
        body = bytearray()
        while piece := response.read1(_STEP):
            body += piece
            if len(body) > self._most_octets:
                raise HttpError(Failure.TOO_LARGE, f"larger than {self._most_octets} bytes")
        if response.length:
            raise HttpError(Failure.BROKEN_OFF, f"{response.length} bytes short")
        return bytes(body)


def _words(error: Exception) -> str:
    return (error.strerror if isinstance(error, OSError) else None) or str(error) or type(error).__name__


def _parts(url: str) -> tuple[str, int | None, bool]:
    try:
        parts = urlsplit(url)
        host, port = parts.hostname, parts.port
    except ValueError:
        host, port, parts = None, None, urlsplit("")
    if parts.scheme not in ("http", "https") or not host or not url.isascii() or not url.isprintable():
        raise HttpError(Failure.BAD_ADDRESS, f"{shown(url)} is no address of HTTP")
    return host, port, parts.scheme == "https"


def _within(url: str, location: str) -> str:
    """Where a redirect leads, unless it leaves the machine: then a password or a token would travel too."""
    try:
        target = urljoin(url, location)
        same = urlsplit(target).hostname == urlsplit(url).hostname
    except ValueError:
        raise HttpError(Failure.NOT_HTTP, f"is moved to {shown(location)}") from None
    if not same or (urlsplit(url).scheme, urlsplit(target).scheme) == ("https", "http"):
        raise HttpError(Failure.LEADS_AWAY, f"sends the reader to {urlsplit(target).netloc}")
    return target


def fetch(
    url: str,
    token: str = "",
    *,
    authorization: str = "",
    seconds: float = SECONDS,
    most_bytes: int = MOST_BYTES,
    clock: Clock | None = None,
    tls: ssl.SSLContext | None = None,
    post: bool = False,
    of: str = "agent",
) -> bytes:
    """The body of a page; blocking. RemoteError when it is not there in time, too large, or not a 200.

    seconds: for the whole of it. authorization: the whole header's value where a bearer token will not do.
    tls: whom TLS trusts; the system's authorities unless given. post: ask by POST, with nothing in it.
    of: what should answer there, for the remedy.
    Redirects are not followed: an agent sends none, and following one would hand the token on.
    """
    authorization = authorization or (f"Bearer {token}" if token else "")
    client = HttpClient(seconds=seconds, most_octets=most_bytes, clock=clock, tls=tls)
    where = _where(url)
    try:
        headers = {"Authorization": authorization} if authorization else {}
        answer = client.ask(url, headers=headers, body=b"" if post else None)
    except HttpError as error:
        an = f"{'an' if of[0] in 'aeiou' else 'a'} {of}"
        remedy = _REMEDIES[error.failure].format(of=of, an=an)
        raise RemoteError(f"{where}: {error.failure}: {error.why}; {remedy}") from None
    if answer.status != 200:
        raise RemoteError(f"{where}: {answer.status} {answer.reason}: {_said(answer)}")
    return answer.body


def _where(url: str) -> str:
    """Scheme, host and port; of what is no address, what stands before its query."""
    try:
        parts = urlsplit(url)
    except ValueError:
        return without_secrets(url)
    host = parts.netloc.rpartition("@")[2]
    return f"{parts.scheme}://{host}" if host else printable(without_secrets(url), _MOST_WHY)


def _said(answer: HttpAnswer) -> str:
    """What an agent's error answer says, on one line."""
    try:
        why = mapping(json_of(answer.body, "why"), "why").get("error")
    except OutsideError:
        why = answer.body[:_MOST_WHY].decode("utf-8", "replace")
    return printable(" ".join(str(why or "").split()), _MOST_WHY) or "no reason given"
