"""Fetches one page of an agent or a metrics server; every trouble is one line naming the address."""

import ssl
from urllib.parse import urlsplit

from whichhop.errors import RemoteError
from whichhop.net.clock import Clock
from whichhop.net.http_client import Failure, HttpAnswer, HttpClient, HttpError
from whichhop.outside import OutsideError, json_of, mapping
from whichhop.printable import printable, without_secrets

SECONDS = 15.0
MOST_BYTES = 32 << 20
_MOST_WHY = 200

_REMEDIES = {
    Failure.BAD_ADDRESS: "write http://HOST:PORT/...",
    Failure.SILENT: "is the agent running?",
    Failure.UNREACHABLE: "is the agent running there?",
    Failure.UNTRUSTED: "check the address",
    Failure.NOT_HTTP: "is this an agent's port?",
    Failure.TOO_LARGE: "ask for less at once",
    Failure.BROKEN_OFF: "try again; is the agent running?",
    Failure.LEADS_AWAY: "check the address",
}


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
) -> bytes:
    """The body of a page; blocking. RemoteError when it is not there in time, too large, or not a 200.

    seconds: for the whole of it. authorization: the whole header's value where a bearer token will not do.
    tls: whom TLS trusts; the system's authorities unless given. post: ask by POST, with nothing in it.
    Redirects are not followed: an agent sends none, and following one would hand the token on.
    """
    authorization = authorization or (f"Bearer {token}" if token else "")
    client = HttpClient(seconds=seconds, most_octets=most_bytes, clock=clock, tls=tls)
    where = _where(url)
    try:
        headers = {"Authorization": authorization} if authorization else {}
        answer = client.ask(url, headers=headers, body=b"" if post else None)
    except HttpError as error:
        raise RemoteError(f"{where}: {error.failure}: {error.why}; {_REMEDIES[error.failure]}") from None
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
