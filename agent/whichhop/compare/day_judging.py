"""Judges a long span by the UTC day, each with a bounded run-in and run-out, and joins what days say. Pure.

What a shorter span learns over the whole of it (the line's use, clocks, who never answers) is learnt over the
day and its run-in, as live use does.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence

import numpy as np
from msgspec import Struct, field
from msgspec.structs import replace
from numpy.typing import NDArray

from whichhop.compare.case import Case, prepare
from whichhop.compare.history import DEFAULT_SETTINGS, changes_since, judgeable
from whichhop.compare.inference.settings import Settings
from whichhop.compare.standing.seen import Period
from whichhop.compare.standing.together import together
from whichhop.compare.standing.verdicts import StandingVerdicts
from whichhop.compare.standing.watch import Expected, Fading, expected_of
from whichhop.compare.windows.clocks import aligned
from whichhop.compare.windows.reporting import AsideTicks, aside_ticks
from whichhop.compare.windows.table import WindowTable
from whichhop.model import Home, Level, Reading, Session, SessionKey, Verdict, derive_sessions
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S

HOUR_NS = 3600 * NS_PER_S
DAY_NS = 24 * HOUR_NS
LONG_NS = 2 * DAY_NS
"""A span of up to two days is judged as one; a longer one by the day."""
RUN_IN_NS = DAY_NS
"""The quiet baseline looks a day back (`Settings.baseline_s`), as a follower's first turn does."""
PAST_ALONE_NS = HOUR_NS
"""The run-in's first hour is past only: a baseline that young is taken anew each few ticks."""
RUN_OUT_NS = HOUR_NS
"""Past the day's end an episode is seen to close or to go on: an hour is twelve mean faults, and ten times
what closes an episode or joins two looks."""
LEAST_FIRST_NS = DAY_NS // 2
"""The first day is no shorter: until the home is at rest its first state is looked for over six hours
(`watch.LONGEST_WAIT`), which are to lie in one day."""


class DaySpan(Struct, frozen=True, kw_only=True):
    """A day's own time, and from_ns to to_ns what it is judged in; all within the span, UTC ns."""

    begin_ns: int
    end_ns: int
    from_ns: int
    to_ns: int


OwnWindows = Callable[[DaySpan], WindowTable]
"""Gives the windows of a day's own ticks."""


def day_spans(begin_ns: int, end_ns: int) -> list[DaySpan]:
    """The UTC days of a measured span, its first and last cut to it."""
    edges = [begin_ns]
    midnight = begin_ns + LEAST_FIRST_NS
    midnight += -midnight % DAY_NS
    edges += range(midnight, end_ns, DAY_NS)
    return [
        DaySpan(
            begin_ns=begin,
            end_ns=end,
            from_ns=max(begin_ns, begin - RUN_IN_NS),
            to_ns=min(end_ns, end + RUN_OUT_NS),
        )
        for begin, end in zip(edges, [*edges[1:], end_ns], strict=True)
    ]


class Stood(Struct, frozen=True, kw_only=True):
    """What stood when measuring began, as it is told so far; keys, expected: what tells when it is over, the
    columns of `expected` those of `keys`. Without `expected` nothing of theirs came through, and any answer
    ends it. Without keys nothing more can be told of it."""

    verdict: Verdict
    keys: tuple[SessionKey, ...] = ()
    expected: Expected | None = None


class DayJudged(Struct, frozen=True, kw_only=True):
    """What came of one day.

    changed: verdicts that reach into the day or begin in its run-out; those of no end reach past seen_ns.
    stood, levels: of a beginning of measuring alone; empty on any other day. beginning: whether it is one.
    heard, answered, spoke: sessions that sent anything, that were answered at all, and that were evidence and
    answered often enough in a window. clocks: seconds ahead by agent, only those
    off. columns, speaks, use: (ticks, columns) and (ticks,) of the day's own ticks, those in which nothing
    was sent too, by the windows put in line.
    """

    span: DaySpan
    step_ns: int
    first_ns: int
    last_ns: int
    """From the first tick of the day in which anything was sent to the last one's end."""
    seen_ns: int
    changed: tuple[Verdict, ...]
    stood: tuple[Stood, ...]
    levels: tuple[Level, ...]
    beginning: bool
    packets: int
    heard: tuple[SessionKey, ...]
    spoke: tuple[SessionKey, ...]
    answered: tuple[SessionKey, ...]
    coarse: bool
    stamps: Mapping[SessionKey, frozenset[str]]
    clocks: Mapping[str, float]
    aside: Mapping[str, AsideTicks]
    columns: tuple[SessionKey, ...] = ()
    speaks: NDArray[np.bool_] = field(default_factory=lambda: np.zeros((0, 0), dtype=bool))
    use: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))


class DayLook(Struct, frozen=True, kw_only=True):
    """A judged day with what it was judged by, for whoever adds to it what changes no verdict.

    table: with run-in and run-out, put in line; its columns stand in the order of `sessions`.
    """

    judged: DayJudged
    sessions: tuple[Session, ...]
    table: WindowTable


def tick_at(table: WindowTable, at_ns: int) -> int:
    """The table's first tick that begins at an instant or after it; within 0..ticks."""
    return min(table.ticks, max(0, -((table.start_ns - at_ns) // table.step_ns)))


def of_time(readings: Iterable[Reading], from_ns: int, to_ns: int) -> tuple[Reading, ...]:
    """Readings that may tell of a stretch: one of the minute before it too."""
    return tuple(r for r in readings if from_ns - NS_PER_MINUTE <= r.at_ns < to_ns)


def judge_day(
    home: Home,
    windows: WindowTable,
    readings: Iterable[Reading],
    span: DaySpan,
    settings: Settings = DEFAULT_SETTINGS,
) -> DayLook | None:
    """Judge one day; None where nothing was sent in it. windows, readings: from_ns to to_ns."""
    piece = windows.measured()
    sessions = derive_sessions(home)
    if piece is None:
        return None
    first, end = tick_at(piece, span.begin_ns), tick_at(piece, span.end_ns)
    day = piece.span(first, end)
    sent = np.flatnonzero(day.sent.any(axis=1))
    if not sent.size:
        return None
    piece = piece.picked([key for i, key in enumerate(piece.sessions) if piece.sent[:, i].any()])
    # Where its whole run-in is silent, measuring begins anew.
    beginning = first == 0
    case = prepare(home, sessions, piece, readings, settings)
    known = judgeable(sessions, piece)
    past = min(first, PAST_ALONE_NS // piece.step_ns)
    stood, levels = _stood(case) if beginning and known else ((), ())
    own = slice(first, end)
    reporting = replace(
        case.reporting,
        speaks=case.reporting.speaks[own],
        aside=case.reporting.aside[own],
        late_s=case.reporting.late_s[own],
    )
    judged_day = case.table.span(first, end)
    answered, often = judged_day.answered_at_all(), judged_day.judged_at_all()
    rows = slice(tick_at(windows, span.begin_ns), tick_at(windows, span.end_ns))
    before = max(0, day.start_ns - windows.at_ns(rows.start)) // day.step_ns
    speaks, use = _placed(rows.stop - rows.start, before, reporting.speaks, case.use.share[own])
    judged = DayJudged(
        span=span,
        step_ns=piece.step_ns,
        first_ns=day.at_ns(int(sent[0])),
        last_ns=day.at_ns(int(sent[-1]) + 1),
        seen_ns=piece.at_ns(piece.ticks),
        changed=_reaching(changes_since(case, first, known=past), span) if known else (),
        stood=stood,
        levels=levels,
        beginning=beginning,
        packets=int(day.sent.sum()),
        heard=tuple(key for i, key in enumerate(day.sessions) if day.sent[:, i].any()),
        spoke=tuple(s.key for i, s in enumerate(case.sessions) if often[i] and reporting.speaks[:, i].any()),
        answered=tuple(s.key for i, s in enumerate(case.sessions) if answered[i]),
        coarse=windows.coarse,
        stamps=windows.stamps,
        clocks=case.clocks,
        aside=aside_ticks(reporting, judged_day),
        columns=tuple(s.key for s in case.sessions),
        speaks=speaks,
        use=use,
    )
    return DayLook(judged=judged, sessions=case.sessions, table=case.table)


def _reaching(found: Iterable[Verdict], span: DaySpan) -> tuple[Verdict, ...]:
    return tuple(v for v in found if v.end_ns is None or v.end_ns > span.begin_ns)


def _stood(case: Case) -> tuple[tuple[Stood, ...], tuple[Level, ...]]:
    teller = StandingVerdicts(
        home=case.home, sessions=case.sessions, elements=case.elements, settings=case.settings
    )
    period = Period.of(case.table, case.reporting, case.use.share)
    found = teller.verdicts(period)
    told = teller.watch.told
    out = [Stood(verdict=v) for v in found]
    for i, one in enumerate(told):
        if one.end is None:
            expected = expected_of(one)
            keys = tuple(case.sessions[j].key for j in expected.sessions)
            out[i] = Stood(
                verdict=found[i], keys=keys, expected=replace(expected, sessions=tuple(range(len(keys))))
            )
    for i, silence in enumerate(teller.outages, len(told)):
        if silence.end is None:
            out[i] = Stood(verdict=found[i], keys=tuple(case.sessions[j].key for j in silence.column))
    return tuple(out), teller.levels


def _placed(
    ticks: int, before: int, speaks: NDArray[np.bool_], use: NDArray[np.float64]
) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """The same with a row for every tick of the day: what was measured may begin later and end sooner."""
    all_speaks, all_use = np.zeros((ticks, speaks.shape[1]), dtype=bool), np.full(ticks, np.nan)
    all_speaks[before : before + len(use)] = speaks
    all_use[before : before + len(use)] = use
    return all_speaks, all_use


def own_windows(windows: WindowTable, span: DaySpan) -> WindowTable:
    """The day's own ticks of a table."""
    return windows.span(tick_at(windows, span.begin_ns), tick_at(windows, span.end_ns))


def put_in_line(own: WindowTable, day: DayJudged) -> WindowTable:
    """A day's own ticks as it was judged by them: the columns of `speaks`, its clocks put right."""
    missing = [key for key in day.columns if key not in own.sessions]
    return aligned((own.with_silent(missing) if missing else own).picked(day.columns), day.clocks)


class _View(Struct, frozen=True):
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


class Together(Struct, frozen=True, kw_only=True):
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
