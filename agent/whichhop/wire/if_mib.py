"""Octet counters of one interface from IF-MIB values (RFC 2863): 64 bits where there are, else 32. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass

Oid = tuple[int, ...]

ENTRY: Oid = (1, 3, 6, 1, 2, 1, 2, 2, 1)
_X_ENTRY: Oid = (1, 3, 6, 1, 2, 1, 31, 1, 1, 1)
DESCR: Oid = (*ENTRY, 2)
SPEED: Oid = (*ENTRY, 5)
IN_OCTETS: Oid = (*ENTRY, 10)
OUT_OCTETS: Oid = (*ENTRY, 16)
NAME: Oid = (*_X_ENTRY, 1)
HC_IN_OCTETS: Oid = (*_X_ENTRY, 6)
HC_OUT_OCTETS: Oid = (*_X_ENTRY, 10)
HIGH_SPEED: Oid = (*_X_ENTRY, 15)
DISCONTINUITY: Oid = (*_X_ENTRY, 19)

NAMES = (NAME, DESCR)
COUNTERS = (HC_IN_OCTETS, HC_OUT_OCTETS, IN_OCTETS, OUT_OCTETS, HIGH_SPEED, SPEED, DISCONTINUITY)
_SPEED_TOP = 2**32 - 1
_ANY: Oid = (0, 0, 0, 0)
DEFAULT_ROUTES: tuple[Oid, ...] = (
    (1, 3, 6, 1, 2, 1, 4, 24, 7, 1, 7, 1, 4, *_ANY, 0),
    (1, 3, 6, 1, 2, 1, 4, 24, 4, 1, 5, *_ANY, *_ANY),
    (1, 3, 6, 1, 2, 1, 4, 21, 1, 2, *_ANY),
)
"""The IPv4 default route's interface in inetCidrRouteTable (RFC 4292), ipCidrRouteTable (RFC 2096) and
ipRouteTable (RFC 1213)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class IfCounters:
    """Octets with framing. bits: the counters' width. speed_bps: the interface's, None where not told."""

    received: int
    sent: int
    bits: int
    discontinuity: int | None
    speed_bps: int | None


def index_of(names: Mapping[Oid, str], wanted: str) -> int | None:
    """The ifIndex of an interface by ifName, else by ifDescr; None when there is none of that name."""
    for column in NAMES:
        for oid, text in names.items():
            if oid[:-1] == column and text == wanted:
                return oid[-1]
    return None


def toward_the_line(names: Mapping[Oid, str], routes: Mapping[Oid, int]) -> str | None:
    """The name of the one interface that a router's default route leaves by; None where that is not told.

    names: what is below NAMES; routes: what is below DEFAULT_ROUTES.
    """
    found = set(routes.values())
    if len(found) != 1:
        return None
    (index,) = found
    told = (names.get((*column, index)) for column in NAMES)
    return next((name for name in told if name and index_of(names, name) == index), None)


def counters_of(values: Mapping[Oid, int], index: int) -> IfCounters | None:
    """The interface's counters; None when the agent shows none of them.

    ifSpeed stands at its top where the rate is larger (RFC 2863 3.1.8): then only ifHighSpeed counts.
    """

    def at(column: Oid) -> int | None:
        return values.get((*column, index))

    pairs = ((HC_IN_OCTETS, HC_OUT_OCTETS, 64), (IN_OCTETS, OUT_OCTETS, 32))
    for in_column, out_column, bits in pairs:
        received, sent = at(in_column), at(out_column)
        if (
            received is not None
            and sent is not None
            and 0 <= min(received, sent) <= max(received, sent) < 2**bits
        ):
            high, low = at(HIGH_SPEED), at(SPEED)
            fast = high is not None and 0 < high <= _SPEED_TOP
            speed = high * 1_000_000 if fast and high else (low if low and 0 < low < _SPEED_TOP else None)
            return IfCounters(
                received=received, sent=sent, bits=bits, discontinuity=at(DISCONTINUITY), speed_bps=speed
            )
    return None
