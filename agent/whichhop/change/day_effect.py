"""The step of one row of values at a change: drift taken out where it shows, bad days allowed for."""

from collections.abc import Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from whichhop.change.hours import Matching, picked
from whichhop.stats.level_step import AFTER, BEFORE, PAST, Places, level_step, steady_drift
from whichhop.stats.proportion import Interval
from whichhop.stats.quantile import Floats

LEAST_SPARE_DAYS = 2
"""Days beyond one for each side: with fewer nothing says how much days differ."""
DRIFT_IS_TOLD = 0.5
"""A drift that is likelier than not is told; the interval allows for it as far as it is likely."""
BAD_DAYS, GOOD_DAYS = 0.25, 1.75
"""What is believed of bad days before any is seen (a beta distribution's counts): one in eight, and most
homes have either hardly any or many. Our own choice; after seven good days one bad day then has a chance of
3 %, two of 0.35 %."""


class DayShift(Struct, frozen=True, kw_only=True):
    """A step with its interval. error: its standard error. drift_a_day: where a drift is likely; else None.
    bad_days: the chance that the shorter side's days merely all were out of the ordinary."""

    estimate: float
    interval: Interval
    error: float
    drift_a_day: float | None = None
    bad_days: float = 0.0


def block_values(matching: Matching, values: Floats, *, robust: bool) -> tuple[Floats, Floats]:
    """Each block's value less its hours of day's own, and those hours' own level (per hour of `matching`).

    values: one an hour of `matching`. An hour of day's own level is the mean of its medians before and after,
    so that hours that are missing on some days move nothing. robust: the highest and the lowest hour of a
    block of five or more are left out, as one spoilt hour is no day; not for shares, whose bursts matter.
    """
    side = matching.places.side[matching.block]
    hour = np.unique(matching.of_day, return_inverse=True)[1]
    before, after = (_medians(hour[side == s], values[side == s]) for s in (BEFORE, AFTER))
    level = ((before + after) / 2)[hour]
    rest = values - level
    order = np.lexsort((rest, matching.block))
    block, sorted_ = matching.block[order], rest[order]
    count = np.bincount(block)
    if robust:
        first = np.concatenate([[0], np.cumsum(count)[:-1]])
        rank = np.arange(len(block)) - first[block]
        many = count[block] >= 5
        kept = ~many | ((rank > 0) & (rank < count[block] - 1))
        block, sorted_ = block[kept], sorted_[kept]
    return np.bincount(block, weights=sorted_) / np.bincount(block), level


def _medians(group: NDArray[np.intp], values: Floats) -> Floats:
    """Each group's; none is without a value. All at once: a table has thousands of them."""
    sorted_, count = values[np.lexsort((values, group))], np.bincount(group)
    first = np.cumsum(count) - count
    middle: Floats = (sorted_[first + (count - 1) // 2] + sorted_[first + count // 2]) / 2
    return middle


def _day_levels(places: Places, values: Floats, side: int) -> Floats:
    here = places.side == side
    days, place = np.unique(places.day[here], return_inverse=True)
    if not len(days):
        return np.zeros(0)
    return np.bincount(place, weights=values[here]) / np.bincount(place)


def _all_bad(bad: int, many: int, days: int) -> float:
    """The chance that `days` further days are all bad after `bad` of `many` were (beta-binomial)."""
    chance = 1.0
    for i in range(days):
        chance *= (bad + BAD_DAYS + i) / (many + BAD_DAYS + GOOD_DAYS + i)
    return chance


def bad_days_chance(places: Places, values: Floats, change: float) -> float:
    """How likely one side's days are all bad ones, as seldom as bad days were seen on the other side.

    A day of the other side counts as bad when it lies at least half the change away from that side's middle,
    towards the change. Needs no curve: a week without a bad day does not say that tomorrow is none.
    """
    sides = {s: _day_levels(places, values, s) for s in (PAST, BEFORE, AFTER)}
    chances = []
    for new, old, sign in ((AFTER, BEFORE, 1), (BEFORE, AFTER, -1)):
        seen = [sides[s] - np.median(sides[s]) for s in (old, PAST) if len(sides[s])]
        away = np.concatenate(seen) * sign * np.sign(change)
        chances.append(_all_bad(int((away >= abs(change) / 2).sum()), len(away), len(sides[new])))
    return max(chances)


def enough_days(places: Places) -> bool:
    """Whether days can tell how much they differ: both sides, and more days than sides."""
    sides = set(places.side.tolist())
    days = sum(len(np.unique(places.day[places.side == s])) for s in sides)
    return {BEFORE, AFTER} <= sides and days - len(sides) >= LEAST_SPARE_DAYS


def shift_of(
    places: Places, values: Floats, *, confidence: float, common: float, grain: float, day_memory: float
) -> DayShift | None:
    """The step between the sides; None where days are too few, or nothing but the weekend differs.

    common: the chance of error that a whole table may use up: bad days hit all its figures at once, and while
    they are likelier than that the interval holds zero.
    """
    if not enough_days(places):
        return None

    found = level_step(places, values, grain=grain, day_memory=day_memory)
    if found is None:
        return None
    slope = None
    if found.drifts > DRIFT_IS_TOLD:
        slope = steady_drift(places, values, grain=grain, day_memory=day_memory)
    interval = found.interval(confidence)
    chance = bad_days_chance(places, values, found.estimate)
    if chance > common:
        interval = Interval(
            low=min(interval.low, 0.0), high=max(interval.high, 0.0), confidence=interval.confidence
        )
    return DayShift(
        estimate=found.estimate,
        interval=interval,
        error=found.error,
        drift_a_day=None if slope is None else slope.estimate,
        bad_days=chance,
    )


def earlier_places(places: Places) -> Places | None:
    """The days before the change cut in two, as if it had been made in their middle; None when too few."""
    index = places.side != AFTER
    before = np.unique(places.day[places.side == BEFORE])
    if len(before) < 2 * LEAST_SPARE_DAYS:
        return None
    cut = before[len(before) // 2]
    kept = picked(places, index)
    side = np.where((kept.side == BEFORE) & (kept.day >= cut), AFTER, kept.side)
    return Places(at_days=kept.at_days, day=kept.day, part=kept.part, side=side)


def of_some(places: Places, values: Floats, where: Sequence[bool] | np.ndarray) -> tuple[Places, Floats]:
    """A selection of places with their values."""
    return picked(places, where), values[np.asarray(where)]
