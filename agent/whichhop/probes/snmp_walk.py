"""Walks parts of an SNMP agent's tree, in v2c or v3, and hands back its integers or texts.

pysnmp takes about 30 MB, so this is used in short child processes only, never in the daemon.
"""

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from pyasn1.type.univ import Integer, Null, OctetString
from pysnmp.proto.errind import RequestTimedOut
from pysnmp.proto.rfc1905 import endOfMibView

from whichhop.errors import RemoteError
from whichhop.probes.snmp_ask import Ask, ByCommunity, ByUser, Oid, read_user

MOST_VALUES = 20_000
"""Values taken of one agent; a modem's tables hold a few hundred."""
_AUTHORIZATION = 16
"""authorizationError (RFC 3416 3): what is asked for lies outside what the user may read."""


class SnmpTarget:
    """One agent, by address, port, and community or user; open while walks run."""

    def __init__(
        self,
        address: str,
        port: int,
        community: str,
        timeout_s: float,
        retries: int = 1,
        *,
        user_file: str | None = None,
    ) -> None:
        """user_file: ask in v3 as the user it names; SystemRefusedError, DataError: no such file."""
        self._place = (address, port)
        self._timeout_s = timeout_s
        self._retries = retries
        self._user_file = user_file
        self._way = ByCommunity(community) if user_file is None else ByUser(read_user(Path(user_file)))

    async def walk(self, roots: Iterable[Oid]) -> dict[Oid, int]:
        """Every integer below the roots; other values are passed over.

        RemoteError when the agent does not answer at all or answers against the protocol. A root that the
        agent does not know simply has nothing below it.
        """
        found = await self._walk(roots, Integer)
        return {oid: int(value) for oid, value in found.items()}

    async def walk_texts(self, roots: Iterable[Oid]) -> dict[Oid, str]:
        """Every text (OCTET STRING) below the roots; RemoteError as `walk`."""
        found = await self._walk(roots, OctetString)
        return {oid: bytes(value).decode("utf-8", "replace") for oid, value in found.items()}

    async def _walk(self, roots: Iterable[Oid], wanted: type) -> dict[Oid, Any]:
        address, port = self._place
        ask = await self._way.to(address, port, self._timeout_s, self._retries)
        out: dict[Oid, Any] = {}
        for root in roots:
            await self._below(ask, root, wanted, out)
        return out

    async def _below(self, ask: Ask, root: Oid, wanted: type, out: dict[Oid, Any]) -> None:
        here = root
        while True:
            indication, status, found = await ask(here)
            if indication:
                raise RemoteError(await self._trouble(indication))
            if status == _AUTHORIZATION:
                raise RemoteError(
                    f"SNMP agent {self._place[0]}: reading below {'.'.join(map(str, root))} is not allowed;"
                    " allow it there"
                )
            if status or not found:
                return
            for name, value in found:
                oid = tuple(name)
                if oid[: len(root)] != root or value is endOfMibView or isinstance(value, Null):
                    return
                if oid <= here:
                    raise RemoteError(
                        f"SNMP agent {self._place[0]}: its tree does not rise below "
                        f"{'.'.join(map(str, root))}; read the levels from its page instead"
                    )
                here = oid
                if isinstance(value, wanted):
                    out[oid] = value
                if len(out) > MOST_VALUES:
                    raise RemoteError(
                        f"SNMP agent {self._place[0]}: over {MOST_VALUES} values; this is no modem's table"
                    )

    async def _trouble(self, indication: Any) -> str:
        address, port = self._place
        more = await self._way.trouble(indication, (address, port, self._timeout_s))
        if more:
            return f"SNMP agent {address} port {port} {more} in {self._user_file}"
        secret = "community" if self._user_file is None else str(self._user_file)
        if isinstance(indication, RequestTimedOut):
            tries = self._retries + 1
            return (
                f"SNMP agent {address} port {port} gave no answer to {tries} requests of "
                f"{self._timeout_s:g} s each; check address and {secret}, "
                "and that it allows SNMP from the home's side"
            )
        return f"SNMP agent {address} port {port}: {indication}; check address and {secret}"

    def close(self) -> None:
        """Close the socket."""
        self._way.close()
