"""Who may read what over HTTP: records by the home's token, a closed page by its password. Pure."""

import base64
import binascii
import hmac
import re
from collections.abc import Mapping
from ipaddress import ip_address
from urllib.parse import quote

from msgspec import Struct

from whichhop.serve.answer import RefusedError

LOCAL_ENDINGS = (".local", ".lan", ".home", ".internal", ".home.arpa", ".localhost", ".test")
"""RFC 6762 3, RFC 8375 3, RFC 6761 6, ICANN for .internal (from memory); .lan, .home as routers use them."""

_HOST = re.compile(r"(?:\[(?P<v6>[0-9a-f:.]+)(?:%[0-9a-z_.%-]+)?\]|(?P<name>[0-9a-z_.-]+))(?::[0-9]{1,5})?")
"""An address in brackets, its zone behind %, or a name as RFC 1123 2.1 has them: nothing that ends a host."""


def is_local_name(host: str) -> bool:
    """True for a Host header (RFC 9110 7.2) that only a visitor of the home can have meant."""
    found = _HOST.fullmatch(host.strip().lower())
    if found is None:
        return False
    try:
        ip_address(found["v6"] or found["name"])
    except ValueError:
        name = (found["name"] or "").removesuffix(".")
        return bool(name) and ("." not in name or name.endswith(LOCAL_ENDINGS))
    return True


def check_host(host: str) -> None:
    """Refuse a request under a name that a stranger can own (421, RFC 9110 15.5.20)."""
    if host and not is_local_name(host):
        raise RefusedError(421, "this agent answers to its address and to names of the home; ask by address")


ALWAYS_OPEN = ("/health", "/identity", "/openapi.json")
"""What shows that an agent lives, who it is, and how to ask it: nothing of the home."""

SIGNED = "/epoch"
"""Asked by an agent whose home key is too old for a token: its own key's signature is looked at there."""


class Door(Struct, frozen=True, kw_only=True):
    """token: of the API. password: of page, metrics and bulletin; "" leaves them open to the LAN.

    identity: what /identity says. tls_port: where a browser is sent when the page is closed. tls_only: hand
    out records in TLS only.
    """

    token: str
    identity: bytes = b""
    password: str = ""
    tls_port: int = 0
    tls_only: bool = False

    def check(self, path: str, headers: Mapping[str, str], *, secure: bool) -> None:
        """RefusedError unless this request may be answered. headers: names in lower case."""
        check_host(headers.get("host", ""))
        if path in ALWAYS_OPEN:
            return
        if path == SIGNED:
            if not secure:
                raise RefusedError(426, "asked in TLS only, on ports.tls", (("upgrade", "TLS/1.3"),))
            return
        of_api = path.startswith("/api/")
        if of_api and self.tls_only and not secure:
            raise RefusedError(
                426, "records are handed out in TLS only, on ports.tls", (("upgrade", "TLS/1.3"),)
            )
        given = headers.get("authorization", "")
        if of_api:
            if not self._has_token(given):
                raise RefusedError(
                    401,
                    "a bearer token of this home is needed; agents make it from the home key",
                    (("www-authenticate", "Bearer"),),
                )
        elif self.password:
            self._check_reader(path, headers.get("host", ""), given, secure=secure)

    def _check_reader(self, path: str, host: str, given: str, *, secure: bool) -> None:
        if not secure:
            name = host.rpartition(":")[0] if host.rpartition(":")[2].isdigit() else host
            # The path came decoded: a line end in it, or a letter, is none of a header's (RFC 9110 5.5).
            there = f"https://{name}:{self.tls_port}{quote(path if path.startswith('/') else '/')}"
            raise RefusedError(
                308,
                "this home's page is closed; it is shown in TLS, by its password",
                (("location", there),) if name else (),
            )
        if not (self._has_token(given) or self._has_password(given)):
            raise RefusedError(
                401,
                "this home's page is closed; `whichhop setup HOME` tells its password",
                (("www-authenticate", 'Basic realm="whichhop", charset="UTF-8"'),),
            )

    def _has_token(self, given: str) -> bool:
        scheme, _, offered = given.partition(" ")
        # Compared in constant time, so that the answer's delay tells nothing of the token.
        right = hmac.compare_digest(offered.strip().encode("latin-1", "replace"), self.token.encode())
        return scheme.lower() == "bearer" and right and self.token != ""

    def _has_password(self, given: str) -> bool:
        """Basic authentication (RFC 7617), whatever the user's name."""
        scheme, _, offered = given.partition(" ")
        try:
            password = base64.b64decode(offered.strip(), validate=True).partition(b":")[2]
        except (binascii.Error, ValueError):
            password = b""
        right = hmac.compare_digest(password, self.password.encode())
        return scheme.lower() == "basic" and right
