"""The objects by which a cable modem tells its levels over SNMP, and their values to channels.

DOCS-IF-MIB is RFC 4546; DOCS-IF3-MIB, DOCS-IF31-MIB and DOCS-PNM-MIB are the DOCSIS 3.0 and 3.1 modules
(object numbers from compiled modules). All tables are indexed by ifIndex; the OFDM ones by a second number.
"""

from collections.abc import Callable, Mapping
from statistics import fmean

from msgspec import Struct

from whichhop.model.channel import Carrier, Channel, Direction
from whichhop.model.decibels import from_hundredths, from_quarters, from_tenths
from whichhop.outside import COUNTER64
from whichhop.wire.level_numbers import MOST_DB

Oid = tuple[int, ...]

IF_OPER_STATUS: Oid = (1, 3, 6, 1, 2, 1, 2, 2, 1, 8)
"""RFC 2863: 1 up, 2 down."""
DOCS_IF: Oid = (1, 3, 6, 1, 2, 1, 10, 127, 1)
CABLE_LABS: Oid = (1, 3, 6, 1, 4, 1, 4491, 2, 1)

DOWN_ID = (*DOCS_IF, 1, 1, 1, 1)
DOWN_FREQUENCY = (*DOCS_IF, 1, 1, 1, 2)
DOWN_WIDTH = (*DOCS_IF, 1, 1, 1, 3)
DOWN_MODULATION = (*DOCS_IF, 1, 1, 1, 4)
DOWN_POWER = (*DOCS_IF, 1, 1, 1, 6)
UP_ID = (*DOCS_IF, 1, 2, 1, 1)
UP_FREQUENCY = (*DOCS_IF, 1, 2, 1, 2)
UP_WIDTH = (*DOCS_IF, 1, 2, 1, 3)
UP_TYPE = (*DOCS_IF, 1, 2, 1, 15)
SIGNAL_UNERRORED = (*DOCS_IF, 1, 4, 1, 2)
SIGNAL_CORRECTED = (*DOCS_IF, 1, 4, 1, 3)
SIGNAL_UNCORRECTABLE = (*DOCS_IF, 1, 4, 1, 4)
SIGNAL_NOISE = (*DOCS_IF, 1, 4, 1, 5)
SIGNAL_EXT_UNERRORED = (*DOCS_IF, 1, 4, 1, 8)
SIGNAL_EXT_CORRECTED = (*DOCS_IF, 1, 4, 1, 9)
SIGNAL_EXT_UNCORRECTABLE = (*DOCS_IF, 1, 4, 1, 10)
CM_TX_POWER = (*DOCS_IF, 2, 2, 1, 3)
CM_T3 = (*DOCS_IF, 2, 2, 1, 12)
CM_T4 = (*DOCS_IF, 2, 2, 1, 13)

IF3_UP_POWER = (*CABLE_LABS, 20, 1, 2, 1, 1)
IF3_UP_T3 = (*CABLE_LABS, 20, 1, 2, 1, 2)
IF3_UP_T4 = (*CABLE_LABS, 20, 1, 2, 1, 3)
IF3_UP_RANGING = (*CABLE_LABS, 20, 1, 2, 1, 9)
IF3_RX_MER = (*CABLE_LABS, 20, 1, 24, 1, 1)

OFDM_ID = (*CABLE_LABS, 28, 1, 9, 1, 1)
OFDM_ZERO = (*CABLE_LABS, 28, 1, 9, 1, 3)
OFDM_FIRST = (*CABLE_LABS, 28, 1, 9, 1, 4)
OFDM_LAST = (*CABLE_LABS, 28, 1, 9, 1, 5)
OFDM_SPACING = (*CABLE_LABS, 28, 1, 9, 1, 7)
OFDM_TOTAL = (*CABLE_LABS, 28, 1, 10, 1, 3)
OFDM_CORRECTED = (*CABLE_LABS, 28, 1, 10, 1, 4)
OFDM_UNCORRECTABLE = (*CABLE_LABS, 28, 1, 10, 1, 5)
OFDM_POWER = (*CABLE_LABS, 28, 1, 11, 1, 3)
OFDM_MER_MEAN = (*CABLE_LABS, 27, 1, 2, 5, 1, 3)

OFDMA_T3 = (*CABLE_LABS, 28, 1, 12, 1, 2)
OFDMA_T4 = (*CABLE_LABS, 28, 1, 12, 1, 3)
OFDMA_RANGING = (*CABLE_LABS, 28, 1, 12, 1, 7)
OFDMA_ZERO = (*CABLE_LABS, 28, 1, 13, 1, 2)
OFDMA_FIRST = (*CABLE_LABS, 28, 1, 13, 1, 3)
OFDMA_LAST = (*CABLE_LABS, 28, 1, 13, 1, 4)
OFDMA_SPACING = (*CABLE_LABS, 28, 1, 13, 1, 6)
OFDMA_POWER = (*CABLE_LABS, 28, 1, 13, 1, 10)

WALKS: tuple[Oid, ...] = (
    IF_OPER_STATUS,
    (*DOCS_IF, 1, 1),
    (*DOCS_IF, 1, 2),
    (*DOCS_IF, 1, 4),
    (*DOCS_IF, 2, 2),
    (*CABLE_LABS, 20, 1, 2),
    (*CABLE_LABS, 20, 1, 24),
    (*CABLE_LABS, 28, 1, 9),
    (*CABLE_LABS, 28, 1, 10),
    (*CABLE_LABS, 28, 1, 11),
    (*CABLE_LABS, 28, 1, 12),
    (*CABLE_LABS, 28, 1, 13),
    (*CABLE_LABS, 27, 1, 2, 5),
)
"""What to walk; a modem of an older generation answers the later ones with nothing."""

_DOWN_MODULATIONS = {3: 64, 4: 256}
_UP_TYPES = {1: Carrier.TDMA, 2: Carrier.ATDMA, 3: Carrier.SCDMA, 4: Carrier.ATDMA}
_RANGED = {4, 5}
"""RangingState: success, and continue (being adjusted); DOCS-IF3-MIB, from memory."""
UP = 1
_LEAST = -(2**31)
"""Integer32 (RFC 2578 7.1.1); together with a Counter64's top, all that a device can say."""
_MOST_HZ = 1_000_000_000_000
"""Beyond this no carrier on a coax is one, however it was scaled."""


class _Table(Struct, frozen=True):
    """Values by object and index."""

    values: Mapping[Oid, int]

    def one(self, column: Oid, index: Oid) -> int | None:
        return self.values.get((*column, *index))

    def indexes(self, column: Oid) -> list[Oid]:
        size = len(column)
        return sorted(oid[size:] for oid in self.values if oid[:size] == column)

    def below(self, column: Oid, index: Oid) -> list[int]:
        """Values of a table with a second index, for one first index."""
        start = (*column, *index)
        return [
            v
            for oid, v in sorted(self.values.items())
            if oid[: len(start)] == start and len(oid) > len(start)
        ]


def _positive(value: int | None) -> int | None:
    """RFC 4546 answers 0 where a frequency, a width or an id is unknown."""
    return value if value is not None and 0 < value <= _MOST_HZ else None


def _level(value: int | None, from_raw: Callable[[int], float]) -> float | None:
    """Decibels of a device's whole number; None where no level is that far from zero."""
    level = None if value is None else from_raw(value)
    return level if level is not None and abs(level) <= MOST_DB else None


def _tenths(value: int | None) -> float | None:
    return _level(value, from_tenths)


def _count(value: int) -> int | None:
    """A sum of counters, None where it is no count: the device added up what does not belong together."""
    return value if 0 <= value <= COUNTER64 else None


def _down_locked(table: _Table, index: Oid) -> bool | None:
    state = table.one(IF_OPER_STATUS, index)
    if state is not None:
        return state == UP
    frequency = table.one(DOWN_FREQUENCY, index)
    return None if frequency is None else frequency > 0


def _first_known(*values: int | None) -> int | None:
    return next((v for v in values if v is not None), None)


def _first_count(*values: int | None) -> int | None:
    return next((v for v in values if v is not None and v >= 0), None)


def _down(table: _Table) -> list[Channel]:
    out = []
    for index in table.indexes(DOWN_FREQUENCY):
        # The 3.0 object measures the same in finer terms where a modem has it; 0 means not measured.
        noise = _positive(table.one(IF3_RX_MER, index)) or _positive(table.one(SIGNAL_NOISE, index))
        out.append(
            Channel(
                direction=Direction.DOWN,
                channel_id=_positive(table.one(DOWN_ID, index)) or index[-1],
                carrier=Carrier.SC_QAM,
                frequency_hz=_positive(table.one(DOWN_FREQUENCY, index)),
                width_hz=_positive(table.one(DOWN_WIDTH, index)),
                modulation=_DOWN_MODULATIONS.get(table.one(DOWN_MODULATION, index) or 0),
                locked=_down_locked(table, index),
                power_dbmv=_tenths(table.one(DOWN_POWER, index)),
                mer_db=_tenths(noise),
                # 64-bit counters first: a 32-bit one turns over within a day
                unerrored=_first_count(
                    table.one(SIGNAL_EXT_UNERRORED, index), table.one(SIGNAL_UNERRORED, index)
                ),
                corrected=_first_count(
                    table.one(SIGNAL_EXT_CORRECTED, index), table.one(SIGNAL_CORRECTED, index)
                ),
                uncorrectable=_first_count(
                    table.one(SIGNAL_EXT_UNCORRECTABLE, index), table.one(SIGNAL_UNCORRECTABLE, index)
                ),
            )
        )
    return out


def _ranged(value: int | None) -> bool | None:
    return None if value is None else value in _RANGED


def _up(table: _Table) -> list[Channel]:
    indexes = table.indexes(UP_FREQUENCY)
    whole = table.indexes(CM_TX_POWER)
    out = []
    for index in indexes:
        power = table.one(IF3_UP_POWER, index)
        t3, t4 = _first_count(table.one(IF3_UP_T3, index)), _first_count(table.one(IF3_UP_T4, index))
        if len(indexes) == 1 and whole:
            # Before 3.0 there was one upstream channel, and its level stood with the modem's own status.
            power = _first_known(power, table.one(CM_TX_POWER, whole[0]))
            t3, t4 = (
                _first_count(t3, table.one(CM_T3, whole[0])),
                _first_count(t4, table.one(CM_T4, whole[0])),
            )
        locked = _ranged(table.one(IF3_UP_RANGING, index))
        if locked is None and table.one(IF_OPER_STATUS, index) is not None:
            locked = table.one(IF_OPER_STATUS, index) == UP
        out.append(
            Channel(
                direction=Direction.UP,
                channel_id=_positive(table.one(UP_ID, index)) or index[-1],
                carrier=_UP_TYPES.get(table.one(UP_TYPE, index) or 0, Carrier.ATDMA),
                frequency_hz=_positive(table.one(UP_FREQUENCY, index)),
                width_hz=_positive(table.one(UP_WIDTH, index)),
                locked=locked,
                power_dbmv=_tenths(power),
                t3_timeouts=t3,
                t4_timeouts=t4,
            )
        )
    return out


def _band(table: _Table, columns: tuple[Oid, Oid, Oid, Oid], index: Oid) -> tuple[int | None, int | None]:
    """Middle and width in Hz of a channel, by subcarrier 0's frequency, first, last, and spacing in kHz."""
    zero, first, last, spacing = (table.one(c, index) for c in columns)
    if zero is None or first is None or last is None or not spacing or last < first:
        return None, None
    step = spacing * 1000
    middle = zero + (first + last) * step // 2
    return (middle, (last - first + 1) * step) if spacing > 0 and 0 < middle <= _MOST_HZ else (None, None)


def _ofdm(table: _Table) -> list[Channel]:
    out = []
    for index in table.indexes(OFDM_ID):
        middle, width = _band(table, (OFDM_ZERO, OFDM_FIRST, OFDM_LAST, OFDM_SPACING), index)
        powers = [p for v in table.below(OFDM_POWER, index) if (p := _tenths(v)) is not None]
        totals = table.below(OFDM_TOTAL, index)
        corrected = _count(sum(table.below(OFDM_CORRECTED, index))) if totals else None
        lost = _count(sum(table.below(OFDM_UNCORRECTABLE, index))) if totals else None
        mer = table.one(OFDM_MER_MEAN, index)
        state = table.one(IF_OPER_STATUS, index)
        out.append(
            Channel(
                direction=Direction.DOWN,
                channel_id=_positive(table.one(OFDM_ID, index)) or index[-1],
                carrier=Carrier.OFDM,
                frequency_hz=middle,
                width_hz=width,
                locked=None if state is None else state == UP,
                # one level per 6 MHz band of the channel: their mean in dBmV says where the channel stands
                power_dbmv=round(fmean(powers), 2) if powers else None,
                mer_db=_level(mer, from_hundredths) if mer else None,
                # OFDM's total counts all three kinds, over its profiles
                unerrored=_count(sum(totals) - (corrected or 0) - (lost or 0)) if totals else None,
                corrected=corrected,
                uncorrectable=lost,
            )
        )
    return out


def _ofdma(table: _Table) -> list[Channel]:
    out = []
    for index in table.indexes(OFDMA_ZERO):
        middle, width = _band(table, (OFDMA_ZERO, OFDMA_FIRST, OFDMA_LAST, OFDMA_SPACING), index)
        power = table.one(OFDMA_POWER, index)
        out.append(
            Channel(
                direction=Direction.UP,
                channel_id=_positive(table.one(UP_ID, index)) or index[-1],
                carrier=Carrier.OFDMA,
                frequency_hz=middle,
                width_hz=width,
                locked=_ranged(table.one(OFDMA_RANGING, index)),
                power_dbmv=_level(power, from_quarters),
                t3_timeouts=_first_count(table.one(OFDMA_T3, index)),
                t4_timeouts=_first_count(table.one(OFDMA_T4, index)),
            )
        )
    return out


def channels_of(values: Mapping[Oid, int]) -> tuple[Channel, ...]:
    """Channels from the integer values of walks by whole identifier; empty when it is no cable modem.

    Whatever a value is, a channel's levels, counts and frequencies are within what those can be.
    """
    table = _Table({oid: v for oid, v in values.items() if _LEAST <= v <= COUNTER64})
    multi = {i for column in (OFDM_ID, OFDMA_ZERO) for i in table.indexes(column)}
    # A 3.1 modem may list its many-carrier channels in the old tables too, without what they mean there.
    down = [c for c, i in zip(_down(table), table.indexes(DOWN_FREQUENCY), strict=True) if i not in multi]
    up = [c for c, i in zip(_up(table), table.indexes(UP_FREQUENCY), strict=True) if i not in multi]
    return (*down, *_ofdm(table), *up, *_ofdma(table))
