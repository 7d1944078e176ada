"""A modem's stored readings as what the page and `status` show of it."""

from collections.abc import Iterable, Sequence
from itertools import pairwise

from whichhop.cabling.judge_levels import deltas_between
from whichhop.cabling.judge_modem import judge_modem
from whichhop.cabling.levels_summary import summary
from whichhop.model import Direction, Home, ModemLevels
from whichhop.model.channel import LevelSpan, ModemNow
from whichhop.model.units import NS_PER_S

HOUR_NS = 3600 * NS_PER_S
DAY_NS = 24 * HOUR_NS
OLD_NS = 2 * DAY_NS
"""A modem that was not read for so long is not told of: nothing is known of it now."""


def pair_of(readings: Sequence[ModemLevels]) -> tuple[ModemLevels, ...]:
    """Of one modem's readings, oldest first: the newest, and before it one of about an hour earlier.

    What is counted is told by the hour; over five minutes a single time-out would look like many.
    """
    newest = readings[-1]
    earlier = [r for r in readings[:-1] if newest.at_ns - r.at_ns <= DAY_NS]
    old = [r for r in earlier if newest.at_ns - r.at_ns >= HOUR_NS]
    before = old[-1] if old else earlier[0] if earlier else None
    return (newest,) if before is None else (before, newest)


def by_modem(readings: Iterable[ModemLevels]) -> dict[str, list[ModemLevels]]:
    """Readings of each modem, oldest first."""
    out: dict[str, list[ModemLevels]] = {}
    for reading in sorted(readings, key=lambda r: r.at_ns):
        out.setdefault(reading.node, []).append(reading)
    return out


def _hour(start_ns: int, readings: Sequence[ModemLevels], lost: int | None) -> LevelSpan:
    live = [c for r in readings for c in r.channels if c.locked is not False]
    down = [c.power_dbmv for c in live if c.direction is Direction.DOWN and c.power_dbmv is not None]
    up = [c.power_dbmv for c in live if c.direction is Direction.UP and c.power_dbmv is not None]
    ratios = [c.mer_db for c in live if c.mer_db is not None]
    return LevelSpan(
        start_ns=start_ns,
        down_low_dbmv=min(down, default=None),
        down_high_dbmv=max(down, default=None),
        snr_low_db=min(ratios, default=None),
        up_high_dbmv=max(up, default=None),
        uncorrectable=lost,
    )


def level_hours(readings: Sequence[ModemLevels]) -> tuple[LevelSpan, ...]:
    """One modem's readings by the hour, oldest first."""
    lost: dict[int, int] = {}
    for old, new in pairwise(readings):
        for delta in deltas_between(old, new).values():
            if delta.uncorrectable is not None:
                hour = new.at_ns // HOUR_NS
                lost[hour] = lost.get(hour, 0) + delta.uncorrectable
    hours: dict[int, list[ModemLevels]] = {}
    for reading in readings:
        hours.setdefault(reading.at_ns // HOUR_NS, []).append(reading)
    return tuple(_hour(h * HOUR_NS, found, lost.get(h)) for h, found in sorted(hours.items()))


def modems_now(readings: Iterable[ModemLevels], home: Home, now_ns: int) -> tuple[ModemNow, ...]:
    """Every modem that was read lately."""
    out = []
    for node, found in by_modem(readings).items():
        newest = found[-1]
        if now_ns - newest.at_ns > OLD_NS:
            continue
        pair = pair_of(found)
        before = pair[0] if len(pair) > 1 else None
        short = summary(newest, judge_modem(newest, before, home.plan), counted=before is not None)
        out.append(
            ModemNow(
                node=node,
                at_ns=newest.at_ns,
                standing=short.word,
                headline=short.headline,
                complaints=tuple(c.words for c in short.complaints),
                not_read=short.not_read,
                figures=short.figures,
                hours=level_hours([r for r in found if now_ns - r.at_ns <= DAY_NS]),
            )
        )
    return tuple(out)
