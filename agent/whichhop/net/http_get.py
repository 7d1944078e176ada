"""Fetches one page over HTTP within a time and a size; every trouble is one line naming the address."""

import http.client
import json
import ssl
from urllib.parse import urlsplit

from whichhop.errors import RemoteError
from whichhop.net.clock import Clock, SystemClock

SECONDS = 15.0
MOST_BYTES = 32 << 20
_STEP = 64 * 1024


def fetch(  # noqa: PLR0912 - one branch a trouble
    url: str,
    token: str = "",
    *,
    authorization: str = "",
    seconds: float = SECONDS,
    most_bytes: int = MOST_BYTES,
    clock: Clock | None = None,
    context: ssl.SSLContext | None = None,
) -> bytes:
    """The body of a page; blocking. RemoteError when it is not there in time, too large, or not a 200.

    authorization: the whole header's value where a bearer token will not do. context: whom TLS trusts; the
    system's authorities unless given.
    Redirects are not followed: an agent sends none, and following one would hand the token on.
    """
    parts = urlsplit(url)
    try:
        host, port = parts.hostname, parts.port
    except ValueError:
        host, port = None, None
    if parts.scheme not in ("http", "https") or not host:
        raise RemoteError(f"{url}: not an address whichhop can ask; write http://HOST:PORT/...")
    where = f"{parts.scheme}://{parts.netloc}"
    now = clock or SystemClock()
    deadline = now.mono_ns() + round(seconds * 1e9)
    connection: http.client.HTTPConnection
    if parts.scheme == "https":
        connection = http.client.HTTPSConnection(host, port, timeout=seconds, context=context)
    else:
        connection = http.client.HTTPConnection(host, port, timeout=seconds)
    authorization = authorization or (f"Bearer {token}" if token else "")
    try:
        path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
        connection.request("GET", path, headers={"Authorization": authorization} if authorization else {})
        response = connection.getresponse()
        body = bytearray()
        while piece := response.read1(_STEP):
            body += piece
            if len(body) > most_bytes:
                raise RemoteError(
                    f"{where}: the answer is larger than {most_bytes} bytes; ask for less at once"
                )
            if now.mono_ns() > deadline:
                raise RemoteError(f"{where}: no whole answer within {seconds:g} s; try again later")
        if response.length:
            raise RemoteError(f"{where}: the answer broke off, {response.length} bytes short; try again")
    except TimeoutError:
        raise RemoteError(f"{where}: no answer within {seconds:g} s; is the agent running?") from None
    except ssl.SSLError as error:
        raise RemoteError(f"{where}: who answers has not the key it showed before ({error.reason})") from None
    except OSError as error:
        raise RemoteError(f"{where}: {error.strerror or error}; is the agent running there?") from None
    except http.client.HTTPException as error:
        raise RemoteError(f"{where}: not an HTTP answer ({error!r}); is this an agent's port?") from None
    finally:
        connection.close()
    if response.status != 200:
        raise RemoteError(f"{where}: {response.status} {response.reason}: {_said(bytes(body))}")
    return bytes(body)


def _said(body: bytes) -> str:
    """What an agent's error answer says, on one line."""
    try:
        text = str(json.loads(body)["error"])
    except (ValueError, KeyError, TypeError, RecursionError):
        text = body[:120].decode("utf-8", "replace")
    return " ".join(text.split()) or "no reason given"
