"""The verdicts of days as those of the span: an episode that reaches over midnight is told once. Pure."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from whichhop.compare.day_judging import DayJudged, DaySpan, Stood, put_in_line
from whichhop.compare.standing.verdicts import together
from whichhop.compare.standing.watch import Fading
from whichhop.compare.windows.table import WindowTable
from whichhop.model import Level, Verdict

OwnWindows = Callable[[DaySpan], WindowTable]
"""Gives the windows of a day's own ticks."""


@dataclass(frozen=True, slots=True)
class _View:
    """A verdict as one day sees it; seen_ns: to where that day looked."""

    verdict: Verdict
    seen_ns: int

    @property
    def end_ns(self) -> int:
        """Where it ends as far as the day can tell."""
        return self.seen_ns if self.verdict.end_ns is None else self.verdict.end_ns

    @property
    def length_ns(self) -> int:
        """How much of it the day saw."""
        return self.end_ns - self.verdict.start_ns


def joined(days: Sequence[DayJudged]) -> list[Verdict]:
    """What changed, in order of time. One that a day leaves open ends where that day saw it last, unless the
    next one goes on with it or nothing was measured after."""
    told: list[_View] = []
    for day in days:
        told = _with_day(told, day)
    last_ns = days[-1].seen_ns if days else 0
    out = [
        replace(v.verdict, end_ns=v.seen_ns)
        if v.verdict.end_ns is None and v.seen_ns < last_ns
        else v.verdict
        for v in told
    ]
    return sorted(out, key=lambda v: (v.start_ns, v.elements))


def _with_day(told: Sequence[_View], day: DayJudged) -> list[_View]:
    midnight = day.span.begin_ns
    # What the day before saw begin in its run-out is this day's to tell.
    out = [v for v in told if v.verdict.start_ns < midnight]
    reaching = [i for i, v in enumerate(out) if v.end_ns >= midnight - _NEAR_NS]
    for fresh in sorted((_View(v, day.seen_ns) for v in day.changed), key=lambda v: v.verdict.start_ns):
        place = next((i for i in reaching if _same(out[i], fresh, midnight)), None)
        if place is None:
            out.append(fresh)
        else:
            out[place] = _one(out[place], fresh)
    return out


_NEAR_NS = 60 * 1_000_000_000
"""Episodes nearer than `Settings.merge_gap_s` are one, over midnight too."""


def _same(one: _View, fresh: _View, midnight: int) -> bool:
    """Whether two days saw the same trouble: an element in common at one time, from before midnight on."""
    if not set(one.verdict.elements) & set(fresh.verdict.elements):
        return False
    begin = fresh.verdict.start_ns
    return (
        begin < one.end_ns + _NEAR_NS
        and fresh.end_ns > one.verdict.start_ns
        and (begin < midnight or one.end_ns > midnight)
    )


def _one(one: _View, fresh: _View) -> _View:
    """The words of the day that saw more of it, the first one's where they saw as much; from the first begin
    to the end that the later day knows."""
    longer = fresh if fresh.length_ns > one.length_ns else one
    detected = [v.verdict.detected_ns for v in (one, fresh) if v.verdict.detected_ns is not None]
    whole = replace(
        longer.verdict,
        start_ns=min(one.verdict.start_ns, fresh.verdict.start_ns),
        end_ns=fresh.verdict.end_ns,
        detected_ns=min(detected, default=None),
    )
    return _View(whole, fresh.seen_ns)


def standing_of(days: Sequence[DayJudged], own: OwnWindows) -> list[Verdict]:
    """What stood when measuring began, or began anew after a gap, followed until it was over."""
    out = []
    for place, day in enumerate(days):
        for stood in day.stood:
            out.append(_followed(stood, range(place, len(days)), days, own))
    return out


def _followed(stood: Stood, places: range, days: Sequence[DayJudged], own: OwnWindows) -> Verdict:
    if not stood.keys or len(places) == 1:
        return stood.verdict
    fading = None if stood.expected is None else Fading(stood.expected)
    for place in places:
        if place > places[0] and days[place].beginning:
            # Nothing was measured for a day before it: what stands then is told of the new beginning.
            return replace(stood.verdict, end_ns=days[place - 1].last_ns)
        day = days[place]
        table = put_in_line(own(day.span), day)
        missing = [key for key in stood.keys if key not in table.sessions]
        table = (table.with_silent(missing) if missing else table).picked(stood.keys)
        if fading is None:
            answered = table.answered.any(axis=1)
            if answered.any():
                return replace(stood.verdict, end_ns=table.at_ns(int(answered.argmax())))
            continue
        heard = np.zeros((table.ticks, len(stood.keys)), dtype=bool)
        for column, key in enumerate(stood.keys):
            if key in day.columns:
                heard[:, column] = day.speaks[:, day.columns.index(key)]
        over_ns = fading.over_ns(table, heard)
        if over_ns is not None:
            return replace(stood.verdict, end_ns=over_ns)
    return stood.verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Together:
    """All verdicts of a span's days in order of time; levels: of its beginning."""

    verdicts: tuple[Verdict, ...]
    levels: tuple[Level, ...]


def days_together(days: Sequence[DayJudged], own: OwnWindows) -> Together:
    """The verdicts of the days, at least one, in order of time."""
    stood = standing_of(days, own)
    return Together(
        verdicts=tuple(together(stood, joined(days), days[-1].last_ns)),
        levels=next((day.levels for day in days if day.levels), ()),
    )
