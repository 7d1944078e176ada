"""What a box, its interfaces and its DSL line tell over SNMP: the objects, and their values as facts. Pure.

RFC 2863 (IF-MIB), RFC 3418 (sysUpTime), RFC 2790 (hrSystemUptime), RFC 3411 (snmpEngineTime), RFC 3635
(dot3StatsDuplexStatus). What a box does not show is None.

VDSL2-LINE-MIB is RFC 5650 (VDSL2, ADSL2 and ADSL2+; object numbers from a compiled module), ADSL-LINE-MIB is
RFC 2662 (object numbers from memory). Decibels come in tenths, rates in bit/s.
"""

from collections.abc import Iterable, Mapping, Sequence

from msgspec import Struct

from whichhop.model.channel import Direction, DslLine
from whichhop.model.decibels import from_tenths

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

_OPER_STATUS: Oid = (*ENTRY, 8)
_LAST_CHANGE: Oid = (*ENTRY, 9)
_RECEIVED: Oid = (*ENTRY, 11)
_IN_DISCARDS: Oid = (*ENTRY, 13)
_IN_ERRORS: Oid = (*ENTRY, 14)
_SENT: Oid = (*ENTRY, 17)
_OUT_DISCARDS: Oid = (*ENTRY, 19)
_OUT_ERRORS: Oid = (*ENTRY, 20)
_DUPLEX: Oid = (1, 3, 6, 1, 2, 1, 10, 7, 2, 1, 19)
COUNTS = (_RECEIVED, _SENT, _IN_ERRORS, _OUT_ERRORS, _IN_DISCARDS, _OUT_DISCARDS)
"""Counter32 each: unicast frames, errors, discards, received before sent."""
_SYSTEM_UPTIME: Oid = (1, 3, 6, 1, 2, 1, 25, 1, 1)
_ENGINE_TIME: Oid = (1, 3, 6, 1, 6, 3, 10, 2, 1, 3)
_AGENT_UPTIME: Oid = (1, 3, 6, 1, 2, 1, 1, 3)
BOX_WALKS = (*COUNTS, _OPER_STATUS, _LAST_CHANGE, _DUPLEX, _SYSTEM_UPTIME, _ENGINE_TIME, _AGENT_UPTIME)
TICKS_A_SECOND = 100
"""TimeTicks are hundredths of a second in 32 bits (RFC 2578 7.1.8), so they begin anew after 497 days."""
TICKS_TOP = 2**32
_HALF, _FULL = 2, 3
_UP = 1

VDSL2: Oid = (1, 3, 6, 1, 2, 1, 10, 251, 1)
ATTAINABLE = {Direction.DOWN: (*VDSL2, 1, 1, 1, 20), Direction.UP: (*VDSL2, 1, 1, 1, 21)}
"""xdsl2LineStatusAttainableRateDs and ...Us."""
BAND_ATTENUATION = (*VDSL2, 1, 2, 1, 2)
BAND_MARGIN = (*VDSL2, 1, 2, 1, 4)
"""xdsl2LineBandStatusLnAtten and ...SnrMargin, by ifIndex and band."""
CHANNEL_RATE = (*VDSL2, 2, 2, 1, 2)
"""xdsl2ChStatusActDataRate, by ifIndex and unit: 1 the provider's end, which sends down, 2 the home's."""
UNIT = {1: Direction.DOWN, 2: Direction.UP}
BANDS = {Direction.UP: (1, 3, 5, 7, 9, 11), Direction.DOWN: (2, 4, 6, 8, 10)}
"""The Xdsl2Band numbers of a direction: first the whole, then its bands from the lowest frequency."""

ADSL: Oid = (1, 3, 6, 1, 2, 1, 10, 94, 1, 1)
PROVIDER_END, HOME_END = (*ADSL, 2, 1), (*ADSL, 3, 1)
PROVIDER_CHANNEL, HOME_CHANNEL = (*ADSL, 4, 1), (*ADSL, 5, 1)
MARGIN, ATTENUATION, ATTAINABLE_RATE, SENT_RATE = 4, 5, 8, 2
"""Columns: adslAtu[cr]CurrSnrMgn, ...CurrAtn, ...CurrAttainableRate; adslAtu[cr]ChanCurrTxRate."""

DSL_WALKS: tuple[Oid, ...] = (
    (*VDSL2, 1, 1, 1),
    (*VDSL2, 1, 2, 1),
    (*VDSL2, 2, 2, 1),
    PROVIDER_END,
    HOME_END,
    PROVIDER_CHANNEL,
    HOME_CHANNEL,
)
UNAVAILABLE = 2**31 - 2
"""From here on a value means out of range, or not measured (RFC 5650)."""
LEAST = -(2**31)
"""Integer32's (RFC 2578 7.1.1)."""
MOST_TENTHS = 10_000
"""A kilobel: no margin or attenuation reaches it, whatever a broken agent says."""


class IfCounters(Struct, frozen=True, kw_only=True):
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


class BoxCounts(Struct, frozen=True, kw_only=True):
    """uptime_s: of the box, else of its SNMP agent (a restart of that alone then looks like the box's).
    uptime_wraps: whether it is in TimeTicks. counts: in the order of COUNTS. last_change: of the interface's
    state, TimeTicks. full_duplex, up: now."""

    uptime_s: float | None = None
    uptime_wraps: bool = True
    counts: tuple[int | None, ...] = (None,) * len(COUNTS)
    last_change: int | None = None
    full_duplex: bool | None = None
    up: bool | None = None


def box_counts_of(values: Mapping[Oid, int], index: int) -> BoxCounts:
    """Of the interface `index` and its box."""

    def within(oid: Oid, top: int) -> int | None:
        value = values.get(oid)
        return value if value is not None and 0 <= value < top else None

    def column(root: Oid) -> int | None:
        return within((*root, index), TICKS_TOP)

    ticks = within((*_SYSTEM_UPTIME, 0), TICKS_TOP)
    seconds = within((*_ENGINE_TIME, 0), 2**31)
    if ticks is None and seconds is None:
        ticks = within((*_AGENT_UPTIME, 0), TICKS_TOP)
    uptime = seconds if ticks is None else ticks / TICKS_A_SECOND
    status, duplex = column(_OPER_STATUS), column(_DUPLEX)
    return BoxCounts(
        uptime_s=None if uptime is None else float(uptime),
        uptime_wraps=ticks is not None,
        counts=tuple(column(root) for root in COUNTS),
        last_change=column(_LAST_CHANGE),
        full_duplex={_HALF: False, _FULL: True}.get(-1 if duplex is None else duplex),
        up=None if status is None else status == _UP,
    )


def _below(values: Mapping[Oid, int], column: Oid) -> dict[Oid, int]:
    """A column's values that are known, by index."""
    size = len(column)
    mine = ((oid, v) for oid, v in sorted(values.items()) if oid[:size] == column and len(oid) > size)
    return {oid[size:]: v for oid, v in mine if LEAST <= v < UNAVAILABLE}


def _largest(values: Iterable[int]) -> float | None:
    return max((float(v) for v in values if v > 0), default=None)


def _tenths(value: int | None) -> float | None:
    return None if value is None or abs(value) > MOST_TENTHS else from_tenths(value)


def _vdsl2(values: Mapping[Oid, int], way: Direction) -> DslLine:
    def by_band(column: Oid) -> Sequence[int]:
        """The whole direction's value where there is one, else each band's, lowest frequency first."""
        found = _below(values, column)
        bands = [[v for index, v in found.items() if index[-1] == band] for band in BANDS[way]]
        return bands[0] or [v for band in bands[1:] for v in band]

    margins, attenuations = by_band(BAND_MARGIN), by_band(BAND_ATTENUATION)
    rates = (v for index, v in _below(values, CHANNEL_RATE).items() if UNIT.get(index[-1]) is way)
    return DslLine(
        direction=way,
        # The weakest band breaks first; attenuation grows with frequency, and the lowest band's is the usual.
        margin_db=_tenths(min(margins, default=None)),
        attenuation_db=_tenths(attenuations[0] if attenuations else None),
        rate_bps=_largest(rates),
        attainable_bps=_largest(_below(values, ATTAINABLE[way]).values()),
    )


def _adsl(values: Mapping[Oid, int], way: Direction) -> DslLine:
    """Margin and attenuation are told by the end that receives, rates by the end that sends."""
    sender, receiver = (PROVIDER_END, HOME_END) if way is Direction.DOWN else (HOME_END, PROVIDER_END)
    channel = PROVIDER_CHANNEL if way is Direction.DOWN else HOME_CHANNEL
    margins = list(_below(values, (*receiver, MARGIN)).values())
    attenuations = list(_below(values, (*receiver, ATTENUATION)).values())
    return DslLine(
        direction=way,
        margin_db=_tenths(min(margins, default=None)),
        attenuation_db=_tenths(max(attenuations, default=None)),
        rate_bps=_largest(_below(values, (*channel, SENT_RATE)).values()),
        attainable_bps=_largest(_below(values, (*sender, ATTAINABLE_RATE)).values()),
    )


def dsl_of(values: Mapping[Oid, int]) -> tuple[DslLine, ...]:
    """The directions of a DSL line that a walk over DSL_WALKS tells anything of, down first."""
    for read in (_vdsl2, _adsl):
        lines = [read(values, way) for way in Direction]
        told = tuple(
            line
            for line in lines
            if any(v is not None for v in (line.margin_db, line.attenuation_db, line.rate_bps))
        )
        if told:
            return told
    return ()
