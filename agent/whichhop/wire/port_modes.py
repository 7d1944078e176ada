"""What the kernel's ethtool family tells of an Ethernet port: rate, duplex, what both ends offer. Pure.

linux/ethtool_netlink.h; the modes' numbers are enum ethtool_link_mode_bit_indices of linux/ethtool.h.
"""

from msgspec import Struct
from msgspec.structs import replace

from whichhop.outside import bad
from whichhop.wire.netlink import (
    NESTED,
    Attributes,
    Message,
    attribute,
    body,
    count_in,
    generic,
    nest,
    u32,
    unsigned,
)

FAMILY = "ethtool"
GET_MODES, GET_STATE = 4, 6
"""ETHTOOL_MSG_LINKMODES_GET, ETHTOOL_MSG_LINKSTATE_GET; their answers have the same numbers."""
_HEADER, _INDEX, _FLAGS = 1, 1, 3
_COMPACT = 1
"""ETHTOOL_FLAG_COMPACT_BITSETS: modes as bit masks, not as a list of names."""
_NEGOTIATED, _OURS, _PARTNERS, _SPEED, _DUPLEX = 2, 3, 4, 5, 6
_LINK, _WHY = 2, 5
_SIZE, _VALUE, _MASK = 2, 4, 5
_HALF, _FULL = 0, 1
_MOST_MBIT = 1_600_000
"""The fastest mode that Linux names (1.6 Tbit/s); SPEED_UNKNOWN is 2^32 - 1."""
_MOST_MODES = 1_024
"""Modes of a port; Linux 6.18 has 125."""

_MBIT_BY_MODE = {
    **dict.fromkeys((0, 1, 92), 10),
    **dict.fromkeys((2, 3, 67, 90, 91), 100),
    **dict.fromkeys((4, 5, 17, 41, 68), 1_000),
    **dict.fromkeys((15, 47), 2_500),
    48: 5_000,
    **dict.fromkeys((12, 18, 19, 20, 42, 43, 44, 45, 46), 10_000),
    **dict.fromkeys((31, 32, 33), 25_000),
    **dict.fromkeys((23, 24, 25, 26), 40_000),
    **dict.fromkeys((34, 35, 40, 52, 53, 54, 55, 56), 50_000),
    **dict.fromkeys((36, 37, 38, 39), 100_000),
}
"""Mbit/s by mode, of the modes met in homes and well above."""

_WHY_DOWN = (
    "auto-negotiation",
    "link training failed",
    "the two ends do not fit logically",
    "bad signal integrity",
    "no cable",
    "a fault of the cable",
    "the module's memory cannot be read",
    "calibration failed",
    "the module takes too much power",
    "overheated",
    "the module is not ready",
)
"""enum ethtool_link_ext_state, in its order."""


class PortModes(Struct, frozen=True, kw_only=True):
    """One port now. None: not known (its driver does not tell, or the link is down).

    able_bps: the fastest that it offers, or can do where nothing is negotiated. partner_able_bps: the fastest
    that the other end offers. why_down: in words, "" where nothing is said.
    """

    speed_bps: float | None = None
    full_duplex: bool | None = None
    negotiated: bool | None = None
    able_bps: float | None = None
    partner_able_bps: float | None = None
    link: bool | None = None
    why_down: str = ""


def question(command: int, index: int) -> bytes:
    """The payload that asks for a port's modes or its state."""
    about = attribute(_INDEX, u32(index)) + attribute(_FLAGS, u32(_COMPACT))
    return generic(command, attribute(_HEADER | NESTED, about))


def modes_of(message: Message, place: str) -> PortModes:
    """The answer to GET_MODES."""
    said = body(message, place)
    speed, duplex = count_in(said, _SPEED, place), count_in(said, _DUPLEX, place)
    negotiated = count_in(said, _NEGOTIATED, place)
    ours = nest(said[_OURS], place) if _OURS in said else {}
    partners = nest(said[_PARTNERS], place) if _PARTNERS in said else {}
    # Of our modes the value is what is offered, the mask what is possible; the partner only offers.
    offered, possible = _fastest(ours, _VALUE, place), _fastest(ours, _MASK, place)
    return PortModes(
        speed_bps=speed * 1e6 if speed is not None and 0 < speed <= _MOST_MBIT else None,
        full_duplex={_HALF: False, _FULL: True}.get(-1 if duplex is None else duplex),
        negotiated=None if negotiated is None else bool(negotiated),
        able_bps=offered if negotiated and offered is not None else possible or offered,
        partner_able_bps=_fastest(partners, _VALUE, place),
    )


def with_state(port: PortModes, message: Message, place: str) -> PortModes:
    """The same with the answer to GET_STATE."""
    said = body(message, place)
    link, why = count_in(said, _LINK, place), count_in(said, _WHY, place)
    words = "" if why is None else (_WHY_DOWN[why] if why < len(_WHY_DOWN) else f"state {why}")
    return replace(port, link=None if link is None else bool(link), why_down="" if link else words)


def _fastest(modes: Attributes, kind: int, place: str) -> float | None:
    """The fastest mode of a compact bit set, bit/s; None without one that is known."""
    size = count_in(modes, _SIZE, place)
    if size is None or kind not in modes:
        return None
    octets = modes[kind]
    if size > _MOST_MODES or len(octets) % 4 or len(octets) * 8 < size:
        raise bad(place, f"a set of {size} modes in {len(octets)} octets")
    words = [unsigned(octets[at : at + 4], place) for at in range(0, len(octets), 4)]
    here = [mbit for bit, mbit in _MBIT_BY_MODE.items() if bit < size and words[bit // 32] >> bit % 32 & 1]
    return max(here) * 1e6 if here else None
