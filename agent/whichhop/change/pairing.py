"""Pairs hours before a change with hours after it at the same time of day, weekdays apart from weekends."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

SATURDAY = 5
KEPT_SHARE = 0.5
"""Weekdays and weekends are matched apart as long as this share of the pairs survives; our own choice."""

Stratum = tuple[int, bool]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """Hours of one time of day: as many groups as the poorer side has hours, the richer side's shared out."""

    before: tuple[int, ...]
    after: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Matching:
    """The pairs in the order of time after the change. apart: weekdays were matched with weekdays only.

    weekdays, weekends: how many pairs' later hours are of each kind.
    """

    pairs: tuple[Pair, ...]
    apart: bool
    weekdays: int
    weekends: int


def local_kind(hour: int, zone: tzinfo | None) -> Stratum:
    """The local hour of the day at which an hour (UTC, counted from the epoch) begins, and if it is weekend.

    Zones that are off by half an hour keep their own clock's hour.
    """
    at = datetime.fromtimestamp(hour * 3600, UTC).astimezone(zone)
    return at.hour, at.weekday() >= SATURDAY


def _sorted_in(hours: Iterable[int], zone: tzinfo | None, *, apart: bool) -> dict[Stratum, list[int]]:
    out: dict[Stratum, list[int]] = {}
    for hour in sorted(hours):
        time_of_day, weekend = local_kind(hour, zone)
        out.setdefault((time_of_day, weekend and apart), []).append(hour)
    return out


def _pairs(before: Mapping[Stratum, list[int]], after: Mapping[Stratum, list[int]]) -> list[Pair]:
    out = []
    for stratum in before.keys() & after.keys():
        old, new = before[stratum], after[stratum]
        count = min(len(old), len(new))
        out += [Pair(before=tuple(old[i::count]), after=tuple(new[i::count])) for i in range(count)]
    return sorted(out, key=lambda pair: pair.after)


def match_hours(before: Iterable[int], after: Iterable[int], zone: tzinfo | None) -> Matching:
    """Every time of day that both sides measured, in disjoint pairs, so that no hour counts twice.

    Weekdays meet weekdays and weekends weekends where enough of both is there; else the day's hour alone is
    matched, and `apart` says so.
    """
    old, new = tuple(before), tuple(after)
    strict = _pairs(_sorted_in(old, zone, apart=True), _sorted_in(new, zone, apart=True))
    loose = _pairs(_sorted_in(old, zone, apart=False), _sorted_in(new, zone, apart=False))
    apart = bool(strict) and len(strict) >= KEPT_SHARE * len(loose)
    pairs = strict if apart else loose
    weekends = sum(local_kind(pair.after[0], zone)[1] for pair in pairs)
    return Matching(pairs=tuple(pairs), apart=apart, weekdays=len(pairs) - weekends, weekends=weekends)
