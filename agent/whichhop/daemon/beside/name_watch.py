"""Looks up targets' host names when they are used, and again every few minutes; keeps the last address."""

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from ipaddress import ip_address

from whichhop.errors import RemoteError, WhichhopError
from whichhop.model import Home
from whichhop.net.surroundings import addresses_of_name, own_address_toward

EVERY_S = 300.0
"""Records that move with a provider's balancing live for minutes (common practice)."""
SOON_S = 15.0
"""Until every name has an address once."""
PATIENCE_S = 25.0
"""The system's resolver gives up after 5 s a server, two times round (resolv.conf(5))."""

LookUp = Callable[[str], Awaitable[list[str]]]


async def look_up(name: str) -> list[str]:
    """The system resolver's addresses of a name; RemoteError when it has none or does not answer."""
    try:
        return await asyncio.wait_for(asyncio.to_thread(addresses_of_name, name), PATIENCE_S)
    except TimeoutError:
        raise RemoteError(
            f"{name}: the resolver does not answer; check this machine's name servers"
        ) from None


def chosen(
    name: str, addresses: list[str], home: Home, has_way: Callable[[str], str | None] = own_address_toward
) -> str:
    """The address to probe; RemoteError where all of them are in the home, or no machine's."""
    own = {n.address: n.name for n in home.nodes.values() if n.address and n.host_name is None}
    usable = []
    for address in addresses:
        where = ip_address(address)
        if address in own:
            raise RemoteError(
                f"{name}: its address is {address}, which is {own[address]}'s; name a machine upstream"
            )
        if not (where.is_loopback or where.is_multicast or where.is_unspecified or where.is_link_local):
            usable.append(address)
    if not usable:
        raise RemoteError(f"{name}: none of its addresses ({', '.join(addresses)}) is a machine upstream")
    return next((address for address in usable if has_way(address) is not None), usable[0])


@dataclass(slots=True, kw_only=True)
class NameWatch:
    """The host names of one home.

    home: the home in use. found: addresses by name so far. place: takes a name and its new address.
    """

    home: Callable[[], Home]
    found: Mapping[str, str]
    place: Callable[[str, str], None]
    tell: Callable[[str], None]
    look_up: LookUp = look_up
    has_way: Callable[[str], str | None] = own_address_toward

    @property
    def wait_s(self) -> float:
        """How long until names are looked up again."""
        return EVERY_S if all(name in self.found for name in self.home().host_names) else SOON_S

    async def turn(self) -> None:
        """Look every name up; WhichhopError, when all are through, for those without an answer."""
        failed = []
        for name in self.home().host_names:
            try:
                addresses = await self.look_up(name)
                if self.found.get(name) in addresses:
                    continue
                address = chosen(name, addresses, self.home(), self.has_way)
            except WhichhopError as trouble:
                before = self.found.get(name)
                failed.append(
                    f"{trouble} (going on with {before}, its last address)"
                    if before
                    else f"{trouble} (it is not probed until it has an address)"
                )
                continue
            before = self.found.get(name)
            self.place(name, address)
            self.tell(f"{name} is {address}" + (f", no longer {before}" if before else ""))
        if failed:
            raise RemoteError("; ".join(failed))
