"""What this machine's own links could carry: negotiated ports and radio rates, kept once a minute."""

import asyncio
import contextlib
import json
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass

import msgspec

from whichhop.model import Home, Link, Medium, Node, Reading
from whichhop.model.link_context import FULL_DUPLEX, PORT_SPEED, RADIO_RATE, RADIO_RECEIVE, RADIO_SIGNAL
from whichhop.net.clock import Clock
from whichhop.net.host import Host, LinkSpeed
from whichhop.net.own_interface import interface_toward
from whichhop.probes.radio_stations import Station

EVERY_S = 60.0
AGAIN_S = 300.0
"""After the radios' process ended, however that came."""


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


class LinkContext:
    """Reads ports at each `turn`; where there is a radio, a process of its own asks nl80211."""

    def __init__(
        self, host: Host, clock: Clock, keep: Callable[[list[Reading]], None], say: Callable[[str], None]
    ) -> None:
        self._host, self._clock, self._keep, self._say = host, clock, keep, say
        self._home: Home | None = None
        self._node: Node | None = None
        self._task: asyncio.Task[None] | None = None
        self._told = ""

    def follow(self, home: Home, node: Node) -> None:
        """Read the links of this node from now on."""
        self._home, self._node = home, node
        devices = self._host.radios()
        if devices and self._task is None:
            self._task = asyncio.create_task(self._ask_radios(devices))

    async def turn(self) -> None:
        """Read the ports now."""
        if self._home is None or self._node is None:
            return
        radios, ports = self._host.radios(), {}
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

    async def close(self) -> None:
        """End the process."""
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)

    async def _ask_radios(self, devices: list[str]) -> None:
        while True:
            child = await asyncio.create_subprocess_exec(
                sys.executable,
                "-m",
                "whichhop.probes.radio_child",
                str(EVERY_S),
                *devices,
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
            )
            assert child.stdout is not None  # noqa: S101 - it is a pipe
            try:
                async for row in child.stdout:
                    self._take(json.loads(row))
            finally:
                if child.returncode is None:
                    with contextlib.suppress(ProcessLookupError):
                        child.kill()
                    await child.wait()
            await asyncio.sleep(AGAIN_S)

    def _take(self, said: dict[str, object]) -> None:
        if "failed" in said:
            if not self._told:
                self._told = str(said["failed"])
                self._say(self._told)
            return
        self._told = ""
        if self._home is None or self._node is None:
            return
        stations = msgspec.convert(said["stations"], list[Station])
        found = radio_readings(
            self._clock.utc_ns(),
            self._node.name,
            beside(self._home, self._node),
            stations,
            self._host.hardware_addresses(),
        )
        self._keep(list(found))
