"""What rtnetlink tells of interfaces and bridges' ports: frames, errors, carrier (linux/if_link.h). Pure."""

import struct
from collections.abc import Iterable

from msgspec import Struct

from whichhop.outside import bad
from whichhop.printable import printable
from whichhop.wire.netlink import Attributes, Message, count_in, nest

GET_LINK, NEW_LINK = 18, 16
GET_NEIGHBOUR, NEW_NEIGHBOUR = 30, 28
"""RTM_* of linux/rtnetlink.h."""
_LINK_HEAD = struct.Struct("=BxHiII")
"""struct ifinfomsg: family, type, index, flags, change."""
_NEIGHBOUR_HEAD = struct.Struct("=BxxxiHBB")
"""struct ndmsg: family, index, state, flags, type (linux/neighbour.h)."""
_AF_BRIDGE = 7
_NAME, _MASTER, _STATS64, _CARRIER, _CHANGES, _UP_COUNT, _DOWN_COUNT = 3, 10, 23, 33, 35, 47, 48
_HARDWARE_ADDRESS = 2
_STATS = struct.Struct("=8Q")
"""The first of struct rtnl_link_stats64, which only ever grew at its end: packets, octets, errors, dropped,
received before sent each."""
_GROUP = 1
"""The bit of an address of many (IEEE 802 8.2)."""
LONGEST = 15
"""IFNAMSIZ less the zero."""


class Interface(Struct, frozen=True, kw_only=True):
    """One interface. Counts are since it was made; None where this kernel does not tell.

    master: index of the bridge (or bond) that it is a port of. carrier_changes: ups and downs together.
    """

    index: int
    name: str
    master: int | None = None
    carrier: bool | None = None
    carrier_changes: int | None = None
    received_frames: int | None = None
    sent_frames: int | None = None
    received_octets: int | None = None
    sent_octets: int | None = None
    errors: int | None = None
    dropped: int | None = None


def all_links() -> bytes:
    """The payload that asks for every interface."""
    return _LINK_HEAD.pack(0, 0, 0, 0, 0)


def all_bridge_rows() -> bytes:
    """The payload that asks for every bridge's forwarding table."""
    return _NEIGHBOUR_HEAD.pack(_AF_BRIDGE, 0, 0, 0, 0)


def interfaces_of(messages: Iterable[Message]) -> dict[int, Interface]:
    """The interfaces among the kernel's answers, by index."""
    found = (_interface(m.payload) for m in messages if m.type == NEW_LINK)
    return {one.index: one for one in found}


def _interface(payload: bytes) -> Interface:
    place = "rtnetlink: an interface"
    if len(payload) < _LINK_HEAD.size:
        raise bad(place, f"{len(payload)} octets")
    _, _, index, _, _ = _LINK_HEAD.unpack_from(payload)
    said = nest(payload[_LINK_HEAD.size :], place)
    name = printable(said.get(_NAME, b"").rstrip(b"\0").decode("utf-8", "replace"))
    if not name or len(name) > 4 * LONGEST:
        raise bad(place, f"a name of {len(name)} characters")
    place = f"rtnetlink: {name}"
    carrier = count_in(said, _CARRIER, place)
    numbers = _STATS.unpack_from(said[_STATS64]) if len(said.get(_STATS64, b"")) >= _STATS.size else None
    both = {} if numbers is None else _counted(numbers)
    return Interface(
        index=index,
        name=name,
        master=count_in(said, _MASTER, place),
        carrier=None if carrier is None else bool(carrier),
        carrier_changes=_carrier_changes(said, place),
        **both,
    )


def _counted(numbers: tuple[int, ...]) -> dict[str, int]:
    received, sent, received_octets, sent_octets, *failures = numbers
    return {
        "received_frames": received,
        "sent_frames": sent,
        "received_octets": received_octets,
        "sent_octets": sent_octets,
        "errors": failures[0] + failures[1],
        "dropped": failures[2] + failures[3],
    }


def _carrier_changes(said: Attributes, place: str) -> int | None:
    """Since Linux 4.16 ups and downs are counted apart; before, together."""
    ups, downs = count_in(said, _UP_COUNT, place), count_in(said, _DOWN_COUNT, place)
    return count_in(said, _CHANGES, place) if ups is None or downs is None else ups + downs


def bridge_ports(messages: Iterable[Message]) -> dict[str, int]:
    """Behind which port (its index) a bridge has seen a hardware address, lower case with colons."""
    out: dict[str, int] = {}
    for message in messages:
        if message.type != NEW_NEIGHBOUR:
            continue
        place = "rtnetlink: a bridge's row"
        if len(message.payload) < _NEIGHBOUR_HEAD.size:
            raise bad(place, f"{len(message.payload)} octets")
        _, index, _, _, _ = _NEIGHBOUR_HEAD.unpack_from(message.payload)
        said = nest(message.payload[_NEIGHBOUR_HEAD.size :], place)
        mac = said.get(_HARDWARE_ADDRESS, b"")
        if len(mac) == 6 and not mac[0] & _GROUP:
            out[mac.hex(":")] = index
    return out
