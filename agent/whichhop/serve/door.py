"""Who may read what over HTTP: records by the home's token, a closed page by its password. Pure."""

import base64
import binascii
import hmac
from collections.abc import Mapping
from dataclasses import dataclass

from whichhop.serve.answer import RefusedError
from whichhop.serve.asked_host import check_host

ALWAYS_OPEN = ("/health", "/identity", "/openapi.json")
"""What shows that an agent lives, who it is, and how to ask it: nothing of the home."""

SIGNED = "/epoch"
"""Asked by an agent whose home key is too old for a token: its own key's signature is looked at there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Door:
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
            raise RefusedError(
                308,
                "this home's page is closed; it is shown in TLS, by its password",
                (("location", f"https://{name}:{self.tls_port}{path}"),) if name.isprintable() else (),
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
