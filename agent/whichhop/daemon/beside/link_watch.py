"""What this machine knows of its own hops: ports, radios and their counters, and how it fares itself."""

import asyncio
from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import partial

from msgspec import Struct

from whichhop.daemon.job_runner import Troubles, words_of
from whichhop.errors import WhichhopError
from whichhop.model import Home, Link, Medium, Node, Reading
from whichhop.model.hop_facts import HopFacts, readings_of
from whichhop.model.units import NS_PER_S
from whichhop.net.clock import Clock
from whichhop.net.host import CpuTicks, Host
from whichhop.net.own_interface import interface_of, interface_toward
from whichhop.probes.hop_between import Facts, port_facts, radio_facts
from whichhop.probes.own_links import OwnLinks, Radio, look

EVERY_S = 60.0
"""How often facts are kept that do not change."""
OF_RADIOS_S = 10.0
"""How often a machine with a radio looks: as long as the comparer's window. Cables change seldom."""
LOOKING = "own-links"

_MOVES = {
    "radio_busy_share": 0.1,
    "radio_retry_share": 0.1,
    "radio_failed_share": 0.02,
    "radio_signal_dbm": 5.0,
    "radio_frequency_mhz": 1.0,
    "port_speed_bps": 1.0,
    "port_full_duplex": 1.0,
}
"""By how much a fact must differ for the ten seconds to be kept by themselves: what tells two causes apart
at a glance, and a still radio's own noise (its signal moves by some dB, common practice) is not."""
_EVENTS = ("radio_beacons_lost", "port_carrier_changes")
"""Counts of which each one is news."""


class Beside(Struct, frozen=True, kw_only=True):
    """A node that one of our links leads to, and that link."""

    node: Node
    link: Link


class Way(Struct, frozen=True, kw_only=True):
    """How we get to a neighbour. mac: its station's, where the interface is a radio; else ""."""

    interface: str
    mac: str = ""


def beside(home: Home, node: Node) -> Iterator[Beside]:
    """The other ends of a node's links, as far as they are nodes of the home file."""
    for link in home.links:
        if node.name in (link.near, link.far):
            other = link.far if link.near == node.name else link.near
            if other in home.nodes:
                yield Beside(node=home.nodes[other], link=link)


def ways(
    others: Iterable[Beside],
    toward: Mapping[str, str],
    macs: Mapping[str, str],
    links: OwnLinks,
    bridges: Iterable[str] = (),
) -> dict[str, Way]:
    """By neighbour the interface, and the station, that lead to it; who cannot be told is left out.

    toward: interface by neighbour, as the kernel routes. macs: hardware addresses by IP address. A bridge is
    no port: it tells behind which one it has seen the neighbour. A radio link is never a port's, nor the
    other way round, whatever is plugged in beside it.
    """
    every, no_ports = list(others), frozenset(bridges)
    out: dict[str, Way] = {}
    for other in every:
        name, mac = toward.get(other.node.name, ""), macs.get(other.node.address or "", "")
        name = links.behind.get(mac, "") if not name or name in no_ports else name
        if other.link.medium is Medium.RADIO:
            alone = sum(o.link.medium is Medium.RADIO for o in every) == 1
            found = _station(links.radios, name, mac, alone=alone)
            if found is not None:
                out[other.node.name] = found
        elif name and name not in links.radios:
            out[other.node.name] = Way(interface=name)
    return out


def _station(radios: Mapping[str, Radio], device: str, mac: str, *, alone: bool) -> Way | None:
    """Which station a neighbour is: by its hardware address, else the only one there is.

    An access point's radio often has another hardware address than its LAN side, so who is joined to one
    station and has one neighbour by radio takes that one for it. alone: there is no other such neighbour.
    """
    joined = [Way(interface=name, mac=s.mac) for name, radio in radios.items() for s in radio.stations]
    known = next((way for way in joined if way.mac == mac), None)
    if known is not None or not alone:
        return known
    here = [way for way in joined if way.interface == device] if device in radios else joined
    return here[0] if len(here) == 1 else None


def moved(kept: Facts, now: Facts) -> bool:
    """Whether the newest ten seconds say something else than what was kept last."""
    for name, least in _MOVES.items():
        before, after = kept.get(name), now.get(name)
        if after is not None and (before is None or abs(after - before) >= least):
            return True
    if any(now.get(name) for name in _EVENTS):
        return True
    before, after = kept.get("radio_connected_s"), now.get("radio_connected_s")
    return before is not None and after is not None and after < before


class LinkWatch:
    """Looks at each `turn`, in a thread; `pause_s` is how long it may be until the next."""

    def __init__(
        self,
        host: Host,
        clock: Clock,
        keep: Callable[[list[Reading]], None],
        *,
        troubles: Troubles,
        see: Callable[[int, int, Iterable[str]], OwnLinks] = look,
    ) -> None:
        self._host, self._clock, self._keep, self._troubles = host, clock, keep, troubles
        self._see = see
        self._home: Home | None = None
        self._node: Node | None = None
        self._radios: list[str] = []
        self._before: OwnLinks | None = None
        self._kept: OwnLinks | None = None
        self._facts: dict[str, Facts] = {}
        self._cpu: CpuTicks | None = None

    @property
    def pause_s(self) -> float:
        """Until the next turn."""
        return OF_RADIOS_S if self._radios else EVERY_S

    def follow(self, home: Home, node: Node) -> None:
        """Read the links of this node from now on."""
        self._home, self._node = home, node
        self._facts = {}

    async def turn(self) -> None:
        """Look now; a radio that was plugged in or out meanwhile is noticed too."""
        if self._home is None or self._node is None:
            return
        self._radios = self._host.radios()
        see = partial(self._see, self._clock.utc_ns(), self._clock.mono_ns(), self._radios)
        try:
            now = await asyncio.to_thread(see)
        except WhichhopError as trouble:
            self._troubles.wrong(LOOKING, f"{words_of(trouble)}; of the own links only the speed is known")
            now = OwnLinks(at_ns=self._clock.utc_ns(), mono_ns=self._clock.mono_ns())
        else:
            self._troubles.well(LOOKING)
        self._take(self._home, self._node, now)

    def _take(self, home: Home, node: Node, now: OwnLinks) -> None:
        others = list(beside(home, node))
        found = ways(
            others,
            self._toward(node, others),
            self._host.hardware_addresses(),
            now,
            [name for name in now.interfaces if self._host.is_bridge(name)],
        )
        newest = {name: self._of(way, self._before, now) for name, way in found.items()}
        before, kept = self._before, self._kept
        due = kept is None or now.mono_ns - kept.mono_ns >= (EVERY_S - OF_RADIOS_S / 2) * NS_PER_S
        changed = any(moved(self._facts.get(name, {}), facts) for name, facts in newest.items())
        self._before = now
        if not due and not changed and newest.keys() == self._facts.keys():
            return
        if kept is not None and before is not None and before is not kept and changed:
            # What came before the change stays apart from it.
            self._tell(node, before, {name: self._of(way, kept, before) for name, way in found.items()})
            kept = before
        facts = {name: self._of(way, kept, now) for name, way in found.items()}
        self._facts, self._kept = facts, now
        self._tell(node, now, facts | {node.name: self._of_itself()})

    def _of(self, way: Way, before: OwnLinks | None, now: OwnLinks) -> Facts:
        if way.mac:
            return radio_facts(before, now, way.interface, way.mac)
        facts = port_facts(before, now, way.interface)
        if facts.get("port_speed_bps") is None and facts.get("port_full_duplex") is None:
            told = self._host.link_speed(way.interface)  # a kernel before 5.6, or netlink out of reach
            duplex = None if told.full_duplex is None else float(told.full_duplex)
            facts = {**facts, "port_speed_bps": told.speed_bps, "port_full_duplex": duplex}
        return facts

    def _of_itself(self) -> Facts:
        before, self._cpu = self._cpu, self._host.cpu()
        share = None
        if before is not None and self._cpu is not None and self._cpu.total > before.total:
            share = 1 - (self._cpu.idle - before.idle) / (self._cpu.total - before.total)
        return {
            "node_uptime_s": self._host.uptime_s(),
            "node_processor_share": share if share is None else min(max(share, 0.0), 1.0),
            "node_temperature_c": self._host.temperature_c(),
        }

    def _tell(self, node: Node, at: OwnLinks, by_other: Mapping[str, Facts]) -> None:
        self._keep(
            [
                reading
                for other, facts in by_other.items()
                for reading in readings_of(
                    HopFacts(agent=node.name, other=other, link="", box="", at_ns=at.at_ns, **facts)
                )
            ]
        )

    def _toward(self, node: Node, others: list[Beside]) -> dict[str, str]:
        """The interface toward each neighbour that can be told; one without an address is behind our own
        address's interface where no other neighbour is, or behind the one that the home file names."""
        out: dict[str, str] = {}
        for other in others:
            name = interface_toward(other.node.address) if other.node.address else None
            if name is None and node.wan_interface and other.link.near == node.name:
                name = node.wan_interface
            if name is None and not other.node.address and len(others) == 1 and node.address:
                name = interface_of(node.address)
            if name is not None:
                out[other.node.name] = name
        return out
