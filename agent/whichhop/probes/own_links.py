"""Reads what the kernel knows of this machine's own links: interfaces, bridges, Ethernet ports, radios.

Nothing is sent to any network. What the kernel or a driver does not have is left out, never an error: most
have only a part. Netlink may block in a driver for a moment, so this runs in a thread of its own.
"""

from collections.abc import Iterable, Sequence
from contextlib import ExitStack

from msgspec import Struct, field

from whichhop.net.netlink_socket import GENERIC, ROUTE, NetlinkSocket
from whichhop.wire import interface_counters, netlink, port_modes, radio_air
from whichhop.wire.interface_counters import Interface
from whichhop.wire.netlink import ACK, DUMP, Message, RefusedError
from whichhop.wire.port_modes import PortModes
from whichhop.wire.radio_air import UNTUNED, Airtime, Station, Tuned


class Radio(Struct, frozen=True, kw_only=True):
    """One radio now. power_save: None where the driver does not tell."""

    stations: Sequence[Station] = ()
    airtime: Airtime | None = None
    tuned: Tuned = UNTUNED
    power_save: bool | None = None


class OwnLinks(Struct, frozen=True, kw_only=True):
    """One look at all of it. at_ns: UTC; mono_ns: what spans are counted by. By interface's name.

    behind: the name of the bridge's port behind which a hardware address was seen.
    """

    at_ns: int
    mono_ns: int
    interfaces: dict[str, Interface] = field(default_factory=dict)
    ports: dict[str, PortModes] = field(default_factory=dict)
    radios: dict[str, Radio] = field(default_factory=dict)
    behind: dict[str, str] = field(default_factory=dict)


class _Asking:
    """Requests over one socket, numbered."""

    def __init__(self, sock: NetlinkSocket) -> None:
        self._sock, self._seq = sock, 0

    def all(self, kind: int, payload: bytes, place: str, *, flags: int = DUMP) -> list[Message]:
        """The answers to one request; RefusedError where the kernel says no."""
        self._seq += 1
        out: list[Message] = []
        for octets in self._sock.ask(netlink.request(kind, payload, seq=self._seq, flags=flags)):
            for message in netlink.messages(octets, self._seq, place):
                if message.type == netlink.DONE:
                    return out
                out.append(message)
        return out

    def some(self, kind: int, payload: bytes, place: str, *, flags: int = DUMP) -> list[Message]:
        """The same, empty where the kernel says no."""
        try:
            return self.all(kind, payload, place, flags=flags)
        except RefusedError:
            return []

    def family(self, name: str) -> int | None:
        """The number of a generic family; None where this kernel has none of that name."""
        answers = self.some(netlink.CONTROL, netlink.family_question(name), name, flags=ACK)
        return next((n for m in answers if (n := netlink.family_number(m)) is not None), None)


def look(at_ns: int, mono_ns: int, radios: Iterable[str]) -> OwnLinks:
    """Ask once. radios: the names of those interfaces that are radios. SystemRefusedError: no netlink."""
    wanted = frozenset(radios)
    with ExitStack() as open_now:
        route = _Asking(open_now.enter_context(NetlinkSocket(ROUTE)))
        links = route.all(interface_counters.GET_LINK, interface_counters.all_links(), "rtnetlink")
        by_index = interface_counters.interfaces_of(links)
        rows = route.some(interface_counters.GET_NEIGHBOUR, interface_counters.all_bridge_rows(), "rtnetlink")
        seen = interface_counters.bridge_ports(rows)
        generic = _Asking(open_now.enter_context(NetlinkSocket(GENERIC)))
        return OwnLinks(
            at_ns=at_ns,
            mono_ns=mono_ns,
            interfaces={one.name: one for one in by_index.values()},
            ports=_ports(generic, [i for i in by_index.values() if i.name not in wanted]),
            radios=_radios(generic, [i for i in by_index.values() if i.name in wanted]),
            behind={mac: by_index[index].name for mac, index in seen.items() if index in by_index},
        )


def _ports(asking: _Asking, interfaces: list[Interface]) -> dict[str, PortModes]:
    family = asking.family(port_modes.FAMILY)
    out: dict[str, PortModes] = {}
    for one in interfaces if family is not None else ():
        place = f"ethtool: {one.name}"

        def answers(command: int, index: int = one.index, place: str = place) -> list[Message]:
            assert family is not None  # noqa: S101 - else there are no interfaces here
            return asking.some(family, port_modes.question(command, index), place, flags=ACK)

        found = PortModes()
        for message in answers(port_modes.GET_MODES):
            found = port_modes.modes_of(message, place)
        for message in answers(port_modes.GET_STATE):
            found = port_modes.with_state(found, message, place)
        if found != PortModes():
            out[one.name] = found
    return out


def _radios(asking: _Asking, interfaces: list[Interface]) -> dict[str, Radio]:
    family = asking.family(radio_air.FAMILY) if interfaces else None
    out: dict[str, Radio] = {}
    for one in interfaces if family is not None else ():

        def answers(command: int, flags: int, one: Interface = one) -> list[Message]:
            assert family is not None  # noqa: S101 - else there are no interfaces here
            return asking.some(
                family, radio_air.question(command, one.index), f"nl80211: {one.name}", flags=flags
            )

        out[one.name] = Radio(
            stations=radio_air.stations_of(answers(radio_air.GET_STATION, DUMP)),
            airtime=radio_air.airtime_of(answers(radio_air.GET_SURVEY, DUMP)),
            tuned=radio_air.tuned_of(answers(radio_air.GET_INTERFACE, ACK)),
            power_save=radio_air.power_save_of(answers(radio_air.GET_POWER_SAVE, ACK)),
        )
    return out
