"""Holds the levels a cable run lets one expect against the modem's reading, and names the difference."""

import math
from collections.abc import Sequence
from statistics import median

from msgspec import Struct

from whichhop.cabling.run import expected_dbmv
from whichhop.model.cable_run import Run
from whichhop.model.channel import MULTI_CARRIER, Channel, Direction

TOLERANCE_DB = 3.0
"""A modem reads its level within about 3 dB, and parts differ by 0.5 dB each: common practice."""
NO_START = "no level is given at the start of the run, so what should arrive is not known"
SLOPE_DB = 2.0
"""A change of the difference across the band that is more than reading noise: common practice."""


class ReadingComparison(Struct, frozen=True, kw_only=True):
    """One channel: level expected from the run and level read, dBmV."""

    channel: str
    frequency_hz: int
    expected_dbmv: float
    read_dbmv: float

    @property
    def excess_loss_db(self) -> float:
        """Loss that the list of parts does not explain; below zero, less loss than listed."""
        return self.expected_dbmv - self.read_dbmv


class LevelDifference(Struct, frozen=True, kw_only=True):
    """All channels together.

    excess_db: median of the unexplained loss. slope_db: how much it grows along the root of the frequency
    from the lowest to the highest channel; None with under three channels.
    """

    rows: tuple[ReadingComparison, ...]
    excess_db: float | None
    slope_db: float | None
    words: str

    @property
    def explained(self) -> bool:
        """True when the listed parts account for what the modem reads."""
        return self.excess_db is not None and abs(self.excess_db) <= TOLERANCE_DB


def _slope(rows: Sequence[ReadingComparison]) -> float | None:
    if len(rows) < 3:
        return None
    roots = [math.sqrt(r.frequency_hz) for r in rows]
    mean_x = sum(roots) / len(rows)
    mean_y = sum(r.excess_loss_db for r in rows) / len(rows)
    across = sum((x - mean_x) ** 2 for x in roots)
    if across == 0.0:
        return None
    up = sum((x - mean_x) * (r.excess_loss_db - mean_y) for x, r in zip(roots, rows, strict=True))
    return up / across * (max(roots) - min(roots))


def _words(excess: float | None, slope: float | None) -> str:
    if excess is None:
        return "no downstream channel with a level and a frequency to compare"
    if slope is not None and abs(slope) > SLOPE_DB:
        if slope > 0:
            return (
                f"{excess:.1f} dB unexplained, growing by {slope:.1f} dB towards high frequencies: "
                "a longer or poorer cable than listed, or water in it"
            )
        return (
            f"{excess:.1f} dB unexplained, {-slope:.1f} dB worse at low frequencies: "
            "a corroded or cracked conductor, or a filter that is not listed"
        )
    if abs(excess) <= TOLERANCE_DB:
        return (
            f"the listed parts explain the reading within {TOLERANCE_DB:g} dB (difference {excess:+.1f} dB)"
        )
    if excess > 0:
        return (
            f"{excess:.1f} dB unexplained at all frequencies alike: about "
            f"{max(1, round(excess / 3.5))} two-way split(s) not listed, or a bad connector"
        )
    return f"{-excess:.1f} dB more than expected: a higher level at the start, or a listed part is not there"


def compare(run: Run, channels: Sequence[Channel]) -> LevelDifference:
    """Every locked single-carrier downstream channel against the run; none where its start has no level."""
    if not run.tap_dbmv:
        return LevelDifference(rows=(), excess_db=None, slope_db=None, words=NO_START)
    rows = tuple(
        ReadingComparison(
            channel=c.name,
            frequency_hz=c.frequency_hz,
            expected_dbmv=expected_dbmv(run, c.frequency_hz),
            read_dbmv=c.power_dbmv,
        )
        for c in channels
        if c.direction is Direction.DOWN
        and c.locked is not False
        and c.carrier not in MULTI_CARRIER
        and c.frequency_hz
        and c.power_dbmv is not None
    )
    excess = median(r.excess_loss_db for r in rows) if rows else None
    slope = _slope(rows)
    return LevelDifference(rows=rows, excess_db=excess, slope_db=slope, words=_words(excess, slope))
