"""The verdicts of a day as they come and change tick by tick, and what days of the home's zone add up to."""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from enum import StrEnum
from itertools import pairwise

from msgspec import Struct
from msgspec.structs import replace

from whichhop.model import Verdict
from whichhop.model.channel import LevelSpan
from whichhop.model.figure_words import utc_of, zone_words
from whichhop.model.past_fault import DayPart, DayTotal, PastDays, PastFault, PlaceTotal, SpanTotal, Whose
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S

DAY_NS = 24 * 3600 * 1_000_000_000
MOVED = 0.1
"""A probability that moved by less is not worth a line."""

STOOD_NS, HELD_NS, LATE_NS = 60 * NS_PER_S, 20 * NS_PER_S, 40 * NS_PER_S
"""What has stood for a minute is not taken back by two ticks that speak against it: in the first ticks of
another fault the two may look like one of something else, which would be told to have begun long ago."""

DAYS, WEEK = 31, 7
MOST_PLACES = 3
JOINED_MIN = 10
"""Parts of a day closer than this are drawn as one: a bar of it is hardly wider than the narrowest."""

Span = tuple[int, int]


class DayBook:
    """Keeps verdicts that a follower no longer looks at, for a day after their end."""

    def __init__(self) -> None:
        self._held: list[Verdict] = []
        self._doubted_ns: dict[tuple[tuple[str, ...], int], int] = {}
        """When those that later ticks speak against were last found."""
        self._taken_ns = 0

    def take(self, verdicts: Iterable[Verdict], judged_ns: int, now_ns: int) -> list[Verdict]:
        """The day's verdicts in order of time, once these are all of them since `judged_ns`.

        One that began before what was looked at anew keeps its begin, and stays as it was where what is left
        of it is too little to be found.
        """
        fresh = self._with_doubted([self._whole(v, judged_ns) for v in verdicts], now_ns)
        settled = [
            v
            for v in self._held
            if v.end_ns is not None
            and (v.end_ns <= judged_ns or (v.start_ns < judged_ns and not any(_same(v, f) for f in fresh)))
        ]
        kept = [v for v in settled if v.end_ns is not None and v.end_ns > now_ns - DAY_NS]
        self._held = sorted([*kept, *fresh], key=lambda v: (v.start_ns, v.elements))
        return list(self._held)

    def _with_doubted(self, fresh: Sequence[Verdict], now_ns: int) -> list[Verdict]:
        """These and what stood for long and is not among them just now, without what takes its place."""
        gone = {
            (v.elements, v.start_ns): v
            for v in self._held
            if v.end_ns is None and now_ns - v.start_ns >= STOOD_NS and not any(_same(v, f) for f in fresh)
        }
        self._doubted_ns = {at: self._doubted_ns.get(at, self._taken_ns) for at in gone}
        self._taken_ns = now_ns
        doubted = [v for at, v in gone.items() if now_ns - self._doubted_ns[at] <= HELD_NS]
        if not doubted:
            return list(fresh)
        known = [
            f for f in fresh if f.start_ns > now_ns - LATE_NS or any(_same(f, old) for old in self._held)
        ]
        return [*known, *doubted]

    def _whole(self, verdict: Verdict, judged_ns: int) -> Verdict:
        for old in self._held:
            cut = old.start_ns < judged_ns and (old.end_ns is None or old.end_ns > judged_ns)
            # What is looked at may show it a few ticks late, for want of what came before.
            if cut and old.elements == verdict.elements and _overlap(old, verdict):
                return replace(verdict, start_ns=min(old.start_ns, verdict.start_ns))
        return verdict


class ChangeKind(StrEnum):
    """What became of a verdict since the last tick."""

    OPENED = "opened"
    CHANGED = "changed"
    ENDED = "ended"
    RETURNED = "returned"
    """It was told to be over and is here again, or one with what goes on."""
    WITHDRAWN = "withdrawn"
    """Later ticks spoke against it."""


class VerdictChange(Struct, frozen=True, kw_only=True):
    """One verdict's news; `verdict` as it is now, or as it last was when withdrawn."""

    kind: ChangeKind
    verdict: Verdict
    before: Verdict | None = None


def _overlap(one: Verdict, other: Verdict) -> bool:
    return (one.end_ns is None or one.end_ns > other.start_ns) and (
        other.end_ns is None or other.end_ns > one.start_ns
    )


def _same(one: Verdict, other: Verdict) -> bool:
    return bool(set(one.elements) & set(other.elements)) and _overlap(one, other)


def _within(part: Verdict, whole: Verdict) -> bool:
    """Whether a verdict is a part of another by now."""
    ends = whole.end_ns is None or (part.end_ns is not None and part.end_ns <= whole.end_ns)
    return ends and whole.start_ns <= part.start_ns


def changes(before: Sequence[Verdict], after: Sequence[Verdict]) -> list[VerdictChange]:
    """The news between two looks, in order of time.

    Verdicts are the same trouble when they share an element and overlap in time. A verdict that was already
    over when it was first seen is not news of the present: it opened and ended between two looks, and is
    told as opened.
    """
    out: list[VerdictChange] = []
    left = list(before)
    for verdict in after:
        old = min(
            (v for v in left if _same(v, verdict)),
            key=lambda v: (
                v.elements != verdict.elements,
                (v.end_ns is None) != (verdict.end_ns is None),
                abs(v.start_ns - verdict.start_ns),
            ),
            default=None,
        )
        if old is None:
            out.append(VerdictChange(kind=ChangeKind.OPENED, verdict=verdict))
            continue
        left.remove(old)
        if _takes_back_an_end(old, verdict, left):
            out.append(VerdictChange(kind=ChangeKind.RETURNED, verdict=verdict, before=old))
        elif _different(old, verdict):
            out.append(VerdictChange(kind=ChangeKind.CHANGED, verdict=verdict, before=old))
        if old.end_ns is None and verdict.end_ns is not None:
            out.append(VerdictChange(kind=ChangeKind.ENDED, verdict=verdict, before=old))
        if old.end_ns is not None and verdict.end_ns is None:
            out.append(VerdictChange(kind=ChangeKind.RETURNED, verdict=verdict, before=old))
    # What is older than all that was looked at anew has been forgotten, not withdrawn.
    oldest = min((v.start_ns for v in after), default=None)
    for gone in left:
        forgotten = gone.end_ns is not None and (oldest is None or gone.end_ns <= oldest)
        joined = any(set(v.elements) == set(gone.elements) and _within(gone, v) for v in after)
        if not (forgotten or joined):
            out.append(VerdictChange(kind=ChangeKind.WITHDRAWN, verdict=gone, before=gone))
    return out


def _takes_back_an_end(old: Verdict, new: Verdict, others: Sequence[Verdict]) -> bool:
    """Whether one that goes on has become one with an earlier one that was told to be over."""
    return (
        old.end_ns is None
        and new.end_ns is None
        and any(
            v.end_ns is not None and set(v.elements) == set(new.elements) and _within(v, new) for v in others
        )
    )


def _different(old: Verdict, new: Verdict) -> bool:
    if (old.cause, set(old.elements), old.proven) != (new.cause, set(new.elements), new.proven):
        return True
    return old.end_ns is None and abs(old.probability - new.probability) >= MOVED


def day_bounds(now_ns: int, zone: tzinfo | None) -> list[int]:
    """The instants at which the last 31 days began, today last, and now. zone: None is this machine's."""
    today = utc_of(now_ns).astimezone(zone).date()
    return [*(_begins(today - timedelta(days=ago), zone) for ago in reversed(range(DAYS))), now_ns]


def past_days(
    faults: Iterable[PastFault], judged: Mapping[int, int], *, now_ns: int, zone: tzinfo | None
) -> PastDays:
    """The last 31 days, today included.

    faults: those that are over and, as if they ended now, those that are not. judged: by hour since 1970 the
    minutes that were judged, bit 0 the first.
    """
    bounds = day_bounds(now_ns, zone)
    kept = sorted((f for f in faults if f.end_ns > bounds[0]), key=lambda f: f.start_ns)
    today = utc_of(now_ns).astimezone(zone)
    days = tuple(
        _day(today.date() - timedelta(days=ago), span, kept, judged)
        for ago, span in zip(reversed(range(DAYS)), pairwise(bounds), strict=True)
    )
    return PastDays(
        zone=zone_words(today),
        days=days,
        week=_total(days[-WEEK:], kept, bounds[-1 - WEEK], now_ns),
        month=_total(days, kept, bounds[0], now_ns),
    )


def level_days(hours: Iterable[LevelSpan], bounds: Sequence[int]) -> tuple[LevelSpan, ...]:
    """The worst of each day, oldest first, of those with any reading; bounds: as `day_bounds` gives them."""
    found = sorted(hours, key=lambda h: h.start_ns)
    days = (_worst(start, [h for h in found if start <= h.start_ns < end]) for start, end in pairwise(bounds))
    return tuple(day for day in days if day is not None)


def _worst(start_ns: int, hours: Sequence[LevelSpan]) -> LevelSpan | None:
    if not hours:
        return None
    lost = [h.uncorrectable for h in hours if h.uncorrectable is not None]
    return LevelSpan(
        start_ns=start_ns,
        down_low_dbmv=min((h.down_low_dbmv for h in hours if h.down_low_dbmv is not None), default=None),
        down_high_dbmv=max((h.down_high_dbmv for h in hours if h.down_high_dbmv is not None), default=None),
        snr_low_db=min((h.snr_low_db for h in hours if h.snr_low_db is not None), default=None),
        up_high_dbmv=max((h.up_high_dbmv for h in hours if h.up_high_dbmv is not None), default=None),
        uncorrectable=sum(lost) if lost else None,
    )


def _begins(day: date, zone: tzinfo | None) -> int:
    """The instant a day begins. Where clocks go forward at midnight it is the moment of the change."""
    at = datetime.combine(day, time(), zone).astimezone(UTC)
    return round(at.timestamp()) * NS_PER_S


def _spans(faults: Iterable[PastFault], start_ns: int, end_ns: int) -> list[Span]:
    """When any of the faults stood, within bounds, as spans that do not touch; faults in order of time."""
    out: list[Span] = []
    for one in faults:
        begin, end = max(one.start_ns, start_ns), min(one.end_ns, end_ns)
        if end <= begin:
            continue
        if out and begin <= out[-1][1]:
            out[-1] = (out[-1][0], max(out[-1][1], end))
        else:
            out.append((begin, end))
    return out


def _minutes(spans: Iterable[Span]) -> int:
    """Whole ones, as wherever a length is told; less than one is one."""
    total = sum(end - begin for begin, end in spans)
    return max(1, total // NS_PER_MINUTE) if total else 0


def _unheard(judged: Mapping[int, int], start_ns: int, end_ns: int) -> Iterator[Span]:
    """Spans of whole minutes that were not judged; zones may begin a day within an hour of UTC."""
    first, last = start_ns // NS_PER_MINUTE, end_ns // NS_PER_MINUTE
    since: int | None = None
    for minute in range(first, last):
        if judged.get(minute // 60, 0) >> minute % 60 & 1:
            if since is not None:
                yield since * NS_PER_MINUTE, minute * NS_PER_MINUTE
            since = None
        elif since is None:
            since = minute
    if since is not None:
        yield since * NS_PER_MINUTE, last * NS_PER_MINUTE


def _parts(whose: Whose, spans: Iterable[Span], start_ns: int) -> Iterator[DayPart]:
    begin, end = -JOINED_MIN, -JOINED_MIN
    for a, b in spans:
        first, last = (a - start_ns) // NS_PER_MINUTE, -((start_ns - b) // NS_PER_MINUTE)
        if first - end < JOINED_MIN and end >= 0:
            end = last
            continue
        if end >= 0:
            yield DayPart(whose=whose, start_min=begin, end_min=end)
        begin, end = first, last
    if end >= 0:
        yield DayPart(whose=whose, start_min=begin, end_min=end)


def _day(day: date, bounds: Span, faults: Sequence[PastFault], judged: Mapping[int, int]) -> DayTotal:
    start_ns, end_ns = bounds
    here = [f for f in faults if f.end_ns > start_ns and f.start_ns < end_ns]
    spans = {whose: _spans((f for f in here if f.whose is whose), start_ns, end_ns) for whose in Whose}
    spans[Whose.UNHEARD] = list(_unheard(judged, start_ns, end_ns))
    parts = [part for whose, those in spans.items() for part in _parts(whose, those, start_ns)]
    return DayTotal(
        day=day.isoformat(),
        start_ns=start_ns,
        length_min=(end_ns - start_ns) // NS_PER_MINUTE,
        episodes=dict(Counter(f.whose for f in here)),
        minutes={whose: _minutes(those) for whose, those in spans.items() if those},
        parts=tuple(sorted(parts, key=lambda p: (p.start_min, p.end_min))),
    )


def _total(days: Sequence[DayTotal], faults: Iterable[PastFault], start_ns: int, end_ns: int) -> SpanTotal:
    here = [f for f in faults if f.end_ns > start_ns and f.start_ns < end_ns]
    places = Counter(tuple(sorted(f.elements)) for f in here)
    return SpanTotal(
        days=len(days),
        length_min=sum(d.length_min for d in days),
        episodes=len(here),
        fault_min=_minutes(_spans(here, start_ns, end_ns)),
        unheard_min=sum(d.unheard_min for d in days),
        places=tuple(PlaceTotal(elements=e, episodes=n) for e, n in places.most_common(MOST_PLACES)),
    )
