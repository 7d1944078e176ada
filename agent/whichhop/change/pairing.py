"""Sorts hours before and after a change by local day and part of the day, the same hours of day on both
sides."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from functools import lru_cache

import numpy as np

from whichhop.stats.level_step import AFTER, BEFORE, PAST, Ints, Places

PART_HOURS = 6
"""Night, morning, afternoon, evening: a household's use of its network differs between these (common
practice); shorter parts would leave too few hours in each to bear a spoilt one."""
PARTS = ("night", "morning", "afternoon", "evening")
WEEKDAYS, WEEKENDS = "weekdays", "weekends"


def part_words(part: int) -> str:
    """A part of the day by name and hours, local."""
    return f"{PARTS[part]} ({PART_HOURS * part}:00 to {PART_HOURS * (part + 1)}:00)"


@lru_cache(maxsize=65536)
def local_place(hour: int, zone: tzinfo | None) -> tuple[int, int]:
    """The local hour of the day at which an hour (UTC, counted from the epoch) begins, and the local day.

    Days are counted from 1970-01-01. Zones that are off by half an hour keep their own clock's hour.
    """
    at = datetime.fromtimestamp(hour * 3600, UTC).astimezone(zone)
    return at.hour, at.toordinal() - _EPOCH


_EPOCH = datetime(1970, 1, 1, tzinfo=UTC).toordinal()


@dataclass(frozen=True, slots=True, kw_only=True)
class Matching:
    """Hours whose hour of day both sides have, in the order of time, arrays of one length.

    block: which of `places` an hour belongs to: one part of one local day on one side. matched: pairs of
    hours of one hour of day, each hour once. days_before, days_after: local days. kinds: WEEKDAYS, WEEKENDS
    or both: what both sides have.
    """

    hours: Ints
    of_day: Ints
    block: Ints
    places: Places
    matched: int
    days_before: int
    days_after: int
    kinds: tuple[str, ...]

    @property
    def days(self) -> int:
        """Local days on all sides, the past included."""
        return len(np.unique(self.places.day))


def _is_weekend(day: int) -> bool:
    return (day + 3) % 7 >= 5


def match_hours(
    before: Iterable[int], after: Iterable[int], zone: tzinfo | None, past: Iterable[int] = ()
) -> Matching:
    """The hours of day that were measured both before and after, and of `past` the same ones.

    past: hours before those that are compared, from which only is learned how days differ.
    """
    sides = {BEFORE: sorted(before), AFTER: sorted(after), PAST: sorted(past)}
    counts = {side: Counter(local_place(h, zone)[0] for h in hours) for side, hours in sides.items()}
    both = counts[BEFORE].keys() & counts[AFTER].keys()
    rows = sorted(
        (hour, side, *local_place(hour, zone))
        for side, hours in sides.items()
        for hour in hours
        if local_place(hour, zone)[0] in both
    )
    hours, side, of_day, day = np.array(rows, dtype=np.int64).reshape(-1, 4).T
    part = of_day // PART_HOURS
    keys = np.stack([day, part, side])
    _, first, block = np.unique(keys, axis=1, return_index=True, return_inverse=True)
    block = block.reshape(-1)
    middle = np.bincount(block, weights=hours / 24) / np.bincount(block) if rows else np.zeros(0)
    places = Places(at_days=middle, day=day[first], part=part[first], side=side[first])
    days = [{int(d) for d in day[side == s]} for s in (BEFORE, AFTER)]
    kinds = [{WEEKENDS if _is_weekend(d) else WEEKDAYS for d in some} for some in days]
    return Matching(
        hours=hours,
        of_day=of_day,
        block=block,
        places=places,
        matched=sum(min(counts[BEFORE][h], counts[AFTER][h]) for h in both),
        days_before=len(days[0]),
        days_after=len(days[1]),
        kinds=tuple(k for k in (WEEKDAYS, WEEKENDS) if k in kinds[0] & kinds[1]),
    )


def picked(places: Places, where: Sequence[bool] | np.ndarray) -> Places:
    """Some of the places."""
    index = np.asarray(where)
    return Places(
        at_days=places.at_days[index], day=places.day[index], part=places.part[index], side=places.side[index]
    )
