"""Walks parts of an SNMP agent's tree (SNMPv2c) and hands back its integers or texts; the one door to pysnmp.

pysnmp takes about 30 MB, so this is used in short child processes only, never in the daemon.
"""

from collections.abc import Iterable
from ipaddress import ip_address
from typing import Any

from pyasn1.type.univ import Integer, Null, OctetString
from pysnmp.hlapi.v1arch.asyncio import (
    CommunityData,
    SnmpDispatcher,
    Udp6TransportTarget,
    UdpTransportTarget,
    bulk_cmd,
)
from pysnmp.proto.errind import RequestTimedOut
from pysnmp.proto.rfc1905 import endOfMibView

from whichhop.errors import RemoteError

Oid = tuple[int, ...]
MOST_VALUES = 20_000
"""Values taken of one agent; a modem's tables hold a few hundred."""
_AT_ONCE = 25


class SnmpTarget:
    """One agent, by address, port and community; open while walks run."""

    def __init__(self, address: str, port: int, community: str, timeout_s: float, retries: int = 1) -> None:
        self._place = (address, port)
        self._timeout_s = timeout_s
        self._retries = retries
        # v2c is what modems speak on the home's side; it only reads, and levels are no secret
        self._community = CommunityData(community, mpModel=1)  # noqa: S508
        self._dispatcher = SnmpDispatcher()

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
        kind = Udp6TransportTarget if ip_address(address).version == 6 else UdpTransportTarget
        target = await kind.create((address, port), timeout=self._timeout_s, retries=self._retries)
        out: dict[Oid, Any] = {}
        for root in roots:
            await self._below(target, root, wanted, out)
        return out

    async def _below(self, target: Any, root: Oid, wanted: type, out: dict[Oid, Any]) -> None:
        here = root
        while True:
            indication, status, _, found = await bulk_cmd(
                self._dispatcher, self._community, target, 0, _AT_ONCE, (here, Null("")), lookupMib=False
            )
            if indication:
                raise RemoteError(self._trouble(indication))
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

    def _trouble(self, indication: Any) -> str:
        address, port = self._place
        if isinstance(indication, RequestTimedOut):
            tries = self._retries + 1
            return (
                f"SNMP agent {address} port {port} gave no answer to {tries} requests of "
                f"{self._timeout_s:g} s each; check address and community, "
                "and that it allows SNMP from the home's side"
            )
        return f"SNMP agent {address} port {port}: {indication}; check address and community"

    def close(self) -> None:
        """Close the socket."""
        self._dispatcher.close()
