"""The objects by which a DSL modem tells its line over SNMP, and their values to a line's directions.

VDSL2-LINE-MIB is RFC 5650 (VDSL2, ADSL2 and ADSL2+; object numbers from a compiled module), ADSL-LINE-MIB is
RFC 2662 (object numbers from memory). Decibels come in tenths, rates in bit/s.
"""

from collections.abc import Iterable, Mapping, Sequence

from whichhop.model.channel import Direction, DslLine
from whichhop.model.decibels import from_tenths

Oid = tuple[int, ...]

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

WALKS: tuple[Oid, ...] = (
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
    """The directions of a DSL line that a walk over WALKS tells anything of, down first."""
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
