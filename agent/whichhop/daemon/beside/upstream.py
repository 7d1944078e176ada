"""What an agent finds past the home: names' addresses, routes, the provider's first hop; kept and renewed."""

import asyncio
import json
from collections.abc import Awaitable, Callable, Mapping
from ipaddress import ip_address
from pathlib import Path
from typing import Annotated

from msgspec import Meta, Struct, field

from whichhop.daemon.beside.route_watch import RouteWatch
from whichhop.daemon.home_in_use import HomeInUse
from whichhop.daemon.job_runner import JobRunner
from whichhop.errors import RemoteError, WhichhopError
from whichhop.model import PROVIDER_EDGE, Home, Sample, SessionKey
from whichhop.net.clock import Clock
from whichhop.net.surroundings import addresses_of_name, own_address_toward
from whichhop.outside import typed
from whichhop.wire.ntp64 import ErrorEstimate

MOST_OCTETS = 100_000
_Text = Annotated[str, Meta(max_length=255)]

EVERY_S = 300.0
"""Records that move with a provider's balancing live for minutes (common practice)."""
SOON_S = 15.0
"""Until every name has an address once."""
PATIENCE_S = 25.0
"""The system's resolver gives up after 5 s a server, two times round (resolv.conf(5))."""

LookUp = Callable[[str], Awaitable[list[str]]]


class _Kept(Struct):
    names: dict[_Text, _Text] = {}
    edges: dict[_Text, _Text] = {}


class FoundAddresses(Struct):
    """names: address by host name. edges: the provider's first hop by the target on whose way it is."""

    names: dict[str, str] = field(default_factory=dict)
    edges: dict[str, str] = field(default_factory=dict)


def _addresses(found: Mapping[str, str]) -> dict[str, str]:
    for address in found.values():
        ip_address(address)
    return dict(found)


def found_of(octets: bytes, place: str) -> FoundAddresses:
    """What such a file holds; DataError where it is none."""
    kept = typed(octets, place, _Kept, most=MOST_OCTETS, remedy="remove it; it is made again")
    try:
        return FoundAddresses(_addresses(kept.names), _addresses(kept.edges))
    except ValueError:
        raise WhichhopError(
            f"{place}: holds something that is no address; remove it, it is made again"
        ) from None


def read_found(path: Path) -> FoundAddresses:
    """What was kept; nothing where there is no such file, or one that cannot be used."""
    try:
        with path.open("rb") as file:
            return found_of(file.read(MOST_OCTETS + 1), str(path))
    except (OSError, WhichhopError):
        return FoundAddresses()  # it only saves time: all of it is found again


def keep_found(path: Path, found: FoundAddresses) -> None:
    """Write it anew, whole or not at all; WhichhopError when the folder takes no file."""
    beside = path.with_name(path.name + ".new")
    try:
        beside.write_text(json.dumps({"names": found.names, "edges": found.edges}) + "\n")
        beside.replace(path)
    except OSError as why:
        raise WhichhopError(
            f"{path}: cannot be written ({why.strerror}); check the folder and the disk"
        ) from why


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


class NameWatch(Struct, kw_only=True):
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


class Upstream:
    """Puts the watch of names and that of routes together, with the file that keeps what they found.

    file: where that is. found: takes a target's name and address. keep: a figure's name, target and value.
    """

    def __init__(
        self,
        home: HomeInUse,
        file: Path,
        jobs: JobRunner,
        clock: Clock,
        *,
        estimate: Callable[[], ErrorEstimate],
        found: Callable[[str, str], None],
        keep: Callable[[str, str, float], None],
        tell: Callable[[str], None],
        count: Callable[[], None],
    ) -> None:
        self._home, self._file, self._jobs, self._tell, self._found = home, file, jobs, tell, found
        self._kept = read_found(file)
        home.found.update(self._kept.names)
        home.place_found()
        self.names = NameWatch(home=lambda: home.now.home, found=home.found, place=self._place, tell=tell)
        self.routes = RouteWatch(
            now=lambda: home.now,
            clock=clock,
            estimate=estimate,
            keep=keep,
            found=self._edge_found,
            tell=tell,
            count=count,
        )
        self._jobs_now: list[asyncio.Task[None]] = []

    def _toward(self) -> str:
        """What the first hop is found on the way to, as the home file has it."""
        home = self._home.now.home
        peer = home.nodes[home.peers[0]] if home.peers else None
        return "" if peer is None else peer.host_name or peer.address or ""

    def _place(self, name: str, address: str) -> None:
        self._home.found[name] = address
        self._kept.names[name] = address
        self._keep()
        self._home.publish(self._home.now)

    def _edge_found(self, address: str) -> None:
        self._kept.edges = {self._toward(): address}
        self._keep()
        self._found(PROVIDER_EDGE, address)

    def _keep(self) -> None:
        try:
            keep_found(self._file, self._kept)
        except WhichhopError as trouble:
            self._tell(str(trouble))  # it only costs the next start some seconds

    def heard(self, key: SessionKey, sample: Sample) -> None:
        """A sample of any session: the edge's answers tell whether it is still there."""
        if key.target == PROVIDER_EDGE:
            self.routes.edge_sample(answered=sample.rtt_ns is not None)

    def begin(self) -> None:
        """Measure toward what was found last time, and look again from now on."""
        edge = self._kept.edges.get(self._toward())
        if edge and self._home.now.home.discover_edge and self.routes.edge is None:
            self.routes.edge = edge
            self._found(PROVIDER_EDGE, edge)
        self.routes.look_anew()
        for job in self._jobs_now:
            job.cancel()
        self._jobs_now = [
            self._jobs.paced("routes", lambda: self.routes.wait_s, self.routes.turn, at_once=True)
        ]

    def begin_names(self) -> None:
        """Look names up, now and for as long as the agent runs."""
        self._jobs.paced("names", lambda: self.names.wait_s, self.names.turn, at_once=True)
