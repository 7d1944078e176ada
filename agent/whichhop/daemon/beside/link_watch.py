"""What this machine's own links could carry: negotiated ports and radio rates, kept once a minute."""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass

import msgspec

from whichhop.daemon.children import Children, Command, KeptChild
from whichhop.daemon.troubles import Troubles
from whichhop.model import Home, Link, Medium, Node, Reading
from whichhop.model.link_context import FULL_DUPLEX, PORT_SPEED, RADIO_RATE, RADIO_RECEIVE, RADIO_SIGNAL
from whichhop.net.child import our_module
from whichhop.net.clock import Clock
from whichhop.net.host import Host, LinkSpeed
from whichhop.net.own_interface import interface_toward
from whichhop.outside import typed
from whichhop.probes.radio_stations import Station

EVERY_S = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """A node that one of our links leads to, and that link."""

    node: Node
    link: Link


def beside(home: Home, node: Node) -> Iterator[Beside]:
    """The other ends of a node's links, as far as they are nodes of the home file."""
    for link in home.links:
        if node.name in (link.near, link.far):
            other = link.far if link.near == node.name else link.near
            if other in home.nodes:
                yield Beside(node=home.nodes[other], link=link)


def port_readings(at_ns: int, agent: str, ports: Mapping[str, LinkSpeed]) -> Iterator[Reading]:
    """ports: by the node that a port leads to."""
    for name, speed in ports.items():
        if speed.speed_bps is not None:
            yield Reading(at_ns=at_ns, agent=agent, name=f"{PORT_SPEED}:{name}", value=float(speed.speed_bps))
        if speed.full_duplex is not None:
            yield Reading(
                at_ns=at_ns, agent=agent, name=f"{FULL_DUPLEX}:{name}", value=float(speed.full_duplex)
            )


def station_of(other: Beside, stations: Iterable[Station], macs: Mapping[str, str]) -> Station | None:
    """Which station a neighbour is: by its hardware address, else the only one there is.

    An access point's radio often has another hardware address than its LAN side, so a client that is joined
    to one station and no more takes that one for its neighbour.
    """
    every = list(stations)
    mac = macs.get(other.node.address or "")
    known = next((s for s in every if s.mac == mac), None)
    return known if known is not None or len(every) != 1 else every[0]


def radio_readings(
    at_ns: int,
    agent: str,
    others: Iterable[Beside],
    stations: Iterable[Station],
    macs: Mapping[str, str],
) -> Iterator[Reading]:
    """macs: hardware addresses by IP address, as the kernel's neighbour table has them."""
    by_radio, every = [o for o in others if o.link.medium is Medium.RADIO], list(stations)
    for other in by_radio:
        # One station can stand for one neighbour only.
        found = station_of(other, every, macs) if len(by_radio) == 1 else _by_mac(other, every, macs)
        if found is None:
            continue
        figures = {
            RADIO_RATE: found.send_bps,
            RADIO_RECEIVE: found.receive_bps,
            RADIO_SIGNAL: found.signal_dbm,
        }
        for name, value in figures.items():
            if value is not None:
                yield Reading(at_ns=at_ns, agent=agent, name=f"{name}:{other.node.name}", value=value)


def _by_mac(other: Beside, stations: list[Station], macs: Mapping[str, str]) -> Station | None:
    mac = macs.get(other.node.address or "")
    return next((s for s in stations if s.mac == mac), None)


class _Said(msgspec.Struct, frozen=True, kw_only=True):
    """A line of the radios' process (probes/radio_child.py)."""

    failed: str | None = None
    stations: list[Station] = []


class LinkWatch:
    """Reads ports at each `turn`; where there is a radio, a process of its own asks nl80211."""

    def __init__(
        self,
        host: Host,
        clock: Clock,
        keep: Callable[[list[Reading]], None],
        *,
        troubles: Troubles,
        children: Children,
    ) -> None:
        self._host, self._clock, self._keep = host, clock, keep
        self._troubles, self._children = troubles, children
        self._home: Home | None = None
        self._node: Node | None = None
        self._devices: list[str] = []
        self._kept: KeptChild | None = None

    def follow(self, home: Home, node: Node) -> None:
        """Read the links of this node from now on."""
        self._home, self._node = home, node
        self._follow_radios()

    def _follow_radios(self) -> None:
        devices = self._host.radios()
        if devices == self._devices:
            return
        self._devices = devices
        if self._kept is not None and devices:
            self._kept.begin_anew()
        elif devices:
            self._kept = self._children.keep("radio-links", self._command, self._hear)
        elif self._kept is not None:
            self._kept.end_soon()
            self._kept = None

    def _command(self) -> Command:
        return Command(argv=our_module("whichhop.probes.radio_child", str(EVERY_S), *self._devices))

    async def turn(self) -> None:
        """Read the ports now; a radio that was plugged in or out meanwhile is noticed too."""
        if self._home is None or self._node is None:
            return
        self._follow_radios()
        radios, ports = self._devices, {}
        for other in beside(self._home, self._node):
            name = interface_toward(other.node.address) if other.node.address else None
            if name is None and self._node.wan_interface and other.link.near == self._node.name:
                name = self._node.wan_interface
            # A bridge's own speed is no port's, and a radio's is not negotiated.
            if (
                name is not None
                and name not in radios
                and other.link.medium is not Medium.RADIO
                and not self._host.is_bridge(name)
            ):
                ports[other.node.name] = self._host.link_speed(name)
        self._keep(list(port_readings(self._clock.utc_ns(), self._node.name, ports)))

    def _hear(self, line: bytes) -> None:
        said = typed(line, "the radios' process", _Said)
        if said.failed is not None:
            self._troubles.wrong("radio-stations", said.failed)
            return
        self._troubles.well("radio-stations")
        if self._home is None or self._node is None:
            return
        found = radio_readings(
            self._clock.utc_ns(),
            self._node.name,
            beside(self._home, self._node),
            said.stations,
            self._host.hardware_addresses(),
        )
        self._keep(list(found))
