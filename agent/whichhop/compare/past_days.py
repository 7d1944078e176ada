"""What the days of the home's zone add up to: faults by owner, minutes not judged, worst modem levels."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from whichhop.model.modem_now import LevelHour
from whichhop.model.past_fault import DayTotal, PastDays, PastFault, PlaceTotal, SpanTotal
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S

HOUR_NS = 60 * NS_PER_MINUTE
DAYS, WEEK = 31, 7
MOST_PLACES = 3


def past_days(
    faults: Iterable[PastFault],
    judged: Mapping[int, int],
    levels: Iterable[LevelHour],
    *,
    now_ns: int,
    zone: ZoneInfo,
) -> PastDays:
    """The last 31 days, today included.

    faults: those that are over and, as if they ended now, those that are not. judged: by hour since 1970 the
    minutes that were judged, bit 0 the first.
    """
    today = datetime.fromtimestamp(now_ns // NS_PER_S, zone).date()
    bounds = [_begins(today - timedelta(days=DAYS - 1 - i), zone) for i in range(DAYS + 1)]
    bounds[-1] = now_ns
    kept = sorted((f for f in faults if f.end_ns > bounds[0]), key=lambda f: f.start_ns)
    hours = list(levels)
    days = tuple(
        _day(today - timedelta(days=DAYS - 1 - i), start, end, kept, judged, hours)
        for i, (start, end) in enumerate(zip(bounds, bounds[1:], strict=False))
    )
    return PastDays(
        zone=zone.key,
        days=days,
        week=_span(WEEK, kept, bounds[-1 - WEEK], now_ns),
        month=_span(DAYS, kept, bounds[0], now_ns),
    )


def _begins(day: date, zone: ZoneInfo) -> int:
    """The instant a day begins. Where clocks go forward at midnight it is the moment of the change."""
    at = datetime.combine(day, time(), zone).astimezone(UTC)
    return round(at.timestamp()) * NS_PER_S


def _minutes(faults: Iterable[PastFault], start_ns: int, end_ns: int) -> int:
    """Minutes of a span in which any of the faults stood; in order of time. Less than half of one is one."""
    total, until = 0, start_ns
    for one in faults:
        begin, end = max(one.start_ns, until), min(one.end_ns, end_ns)
        if end > begin:
            total, until = total + end - begin, end
    return max(1, round(total / NS_PER_MINUTE)) if total else 0


def _not_judged(judged: Mapping[int, int], start_ns: int, end_ns: int) -> int:
    """Whole minutes of a span that were not judged; zones may begin a day within an hour of UTC."""
    first, last = start_ns // NS_PER_MINUTE, end_ns // NS_PER_MINUTE
    known = 0
    for hour in range(first // 60, -(-last // 60)):
        low, high = max(0, first - hour * 60), min(60, last - hour * 60)
        known += (judged.get(hour, 0) >> low & (1 << high - low) - 1).bit_count()
    return last - first - known


def _day(
    day: date,
    start_ns: int,
    end_ns: int,
    faults: Sequence[PastFault],
    judged: Mapping[int, int],
    levels: Iterable[LevelHour],
) -> DayTotal:
    here = [f for f in faults if f.end_ns > start_ns and f.start_ns < end_ns]
    home = [f for f in here if f.by_home]
    provider = [f for f in here if f.by_provider]
    others = [f for f in here if not f.by_home and not f.by_provider]
    hours = [h for h in levels if start_ns <= h.start_ns < end_ns]
    lost = [h.uncorrectable for h in hours if h.uncorrectable is not None]
    return DayTotal(
        day=day.isoformat(),
        length_min=(end_ns - start_ns) // NS_PER_MINUTE,
        home_min=_minutes(home, start_ns, end_ns),
        provider_min=_minutes(provider, start_ns, end_ns),
        others_min=_minutes(others, start_ns, end_ns),
        home_episodes=len(home),
        provider_episodes=len(provider),
        others_episodes=len(others),
        not_judged_min=_not_judged(judged, start_ns, end_ns),
        down_low_dbmv=min((h.down_low_dbmv for h in hours if h.down_low_dbmv is not None), default=None),
        down_high_dbmv=max((h.down_high_dbmv for h in hours if h.down_high_dbmv is not None), default=None),
        snr_low_db=min((h.snr_low_db for h in hours if h.snr_low_db is not None), default=None),
        up_high_dbmv=max((h.up_high_dbmv for h in hours if h.up_high_dbmv is not None), default=None),
        uncorrectable=sum(lost) if lost else None,
    )


def _span(days: int, faults: Iterable[PastFault], start_ns: int, end_ns: int) -> SpanTotal:
    here = [f for f in faults if f.end_ns > start_ns and f.start_ns < end_ns]
    places = Counter(f.elements for f in here)
    return SpanTotal(
        days=days,
        episodes=len(here),
        fault_min=_minutes(here, start_ns, end_ns),
        places=tuple(PlaceTotal(elements=e, episodes=n) for e, n in places.most_common(MOST_PLACES)),
    )
