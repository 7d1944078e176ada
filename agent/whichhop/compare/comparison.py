"""One comparison: a home's records or windows in; what was measured, and the verdicts, out; and both as data.

Whoever answers "which hop?" over a span asks here: `compare`, `advise`, `evidence`, the demo. What runs on
asks `live`, which reasons with the same functions.
"""

from collections.abc import Iterable, Mapping, Sequence
from functools import partial
from typing import Any

import msgspec
import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from whichhop.compare.case import prepare
from whichhop.compare.day_judging import (
    LONG_NS,
    DayJudged,
    OwnWindows,
    day_spans,
    days_together,
    judge_day,
    of_time,
    own_windows,
    put_in_line,
    tick_at,
)
from whichhop.compare.history import DEFAULT_SETTINGS, judge_changes, judge_with_levels, judgeable
from whichhop.compare.inference.settings import Settings
from whichhop.compare.windows.clocks import ahead_of_records
from whichhop.compare.windows.filling import Cutter, RecordSeconds, fitting_step
from whichhop.compare.windows.reporting import aside_ticks, unjudged_s
from whichhop.compare.windows.table import TICK_NS, WindowTable, one_after_another, whole_ticks
from whichhop.compare.words import explain
from whichhop.model import (
    PROVIDER_EDGE,
    Home,
    Level,
    Reading,
    Record,
    Session,
    SessionKey,
    Verdict,
    derive_sessions,
)
from whichhop.model.inner_cause import Felt
from whichhop.model.record import told_stamps
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S


class Judged(Struct, frozen=True, kw_only=True):
    """The windows that were judged, and what is evidence in them.

    windows: every session of the home that was heard. sessions: those of them that are judged; table, speaks:
    their columns in that order, and where a sample is evidence. use: per tick, the share of the plan that the
    home used itself, NaN where not known.
    """

    windows: WindowTable
    sessions: tuple[Session, ...]
    table: WindowTable
    speaks: NDArray[np.bool_]
    use: NDArray[np.float64]


class Comparison(Struct, frozen=True, kw_only=True):
    """What was measured and what came of it.

    start_ns, end_ns: from the first tick in which anything was sent to the end of the last. sessions: those
    that were heard. packets: that spoke. coarse, stamps: see WindowTable.
    verdicts: in the order of time, none where no fault was found. levels: of every link that was measured for
    three minutes, from the first ten. unmeasured: the links of the home that no verdict names and no judged
    session crossed that was answered often enough, in the home's order: nothing can be said of them, least of
    all that they are well. seldom: those of them that are crossed by sessions which are answered, but never
    often enough. silent: targets past such a link that were asked and never answered anybody.
    not_judged_s: seconds in which an agent was busy, asleep or not heard of, by agent. clocks_off_s: by how
    many seconds an agent's clock was ahead of the others', those in line left out; put right in what was
    judged. judged: of a span that is judged by the day, its last day alone.
    """

    home: Home
    start_ns: int
    end_ns: int
    sessions: tuple[SessionKey, ...]
    packets: int
    coarse: bool
    stamps: Mapping[SessionKey, frozenset[str]]
    verdicts: tuple[Verdict, ...]
    levels: tuple[Level, ...]
    unmeasured: tuple[str, ...]
    not_judged_s: Mapping[str, float]
    clocks_off_s: Mapping[str, float]
    judged: Judged
    silent: tuple[str, ...] = ()
    seldom: tuple[str, ...] = ()
    felt: tuple[Felt, ...] = ()
    """What users feel though no hop is slow; worked out after all the rest, which it never changes."""

    @property
    def unusual(self) -> list[Level]:
        """Levels above what is usual for their medium, of links of which no verdict says it already."""
        blamed = {name for v in self.verdicts if v.standing for name in v.elements}
        return [v for v in self.levels if v.above_usual and not blamed.intersection(v.elements)]

    @property
    def asked_outside(self) -> bool:
        """Whether some target past the home's line is asked and answers nobody."""
        return any(name == PROVIDER_EDGE or name in self.home.peers for name in self.silent)

    @property
    def to_look_at(self) -> tuple[str, ...]:
        """Silent targets whose silence no verdict explains: behind a link that lets nothing through from the
        first packet to the last, an address may be as right as it likes."""
        dead = {
            name
            for v in self.verdicts
            if v.standing and v.end_ns is None and v.severity is not None and v.severity.loss_ratio == 1.0
            for name in v.elements
        }
        reached = {
            s.key.target for s in self.judged.sessions if not any(link.name in dead for link in s.path.links)
        }
        return tuple(name for name in self.silent if not dead or name in reached)

    @property
    def unsent(self) -> tuple[str, ...]:
        """Targets past the home's line that the home names and to which no packet is on record."""
        sent = {key.target for key in self.sessions}
        return tuple(name for name in self.home.peers if name not in sent)

    @property
    def span_s(self) -> float:
        """How long it is from the first window's begin to the last one's end."""
        return (self.end_ns - self.start_ns) / NS_PER_S


def compare_records(
    home: Home,
    records: Iterable[Record],
    readings: Iterable[Reading],
    *,
    start_ns: int,
    end_ns: int,
    changes_alone: bool = False,
) -> Comparison | None:
    """Judge the home's own sessions from `start_ns` to `end_ns`; None when nothing was measured then.

    Windows lie on whole multiples of their length since the epoch; they are as long as probes are seldom.
    changes_alone: see compare_windows.
    """
    keys = [s.key for s in derive_sessions(home)]
    by_key: dict[SessionKey, list[Record]] = {key: [] for key in keys}
    for record in records:
        if record.session in by_key and start_ns < (record.minute + 1) * NS_PER_MINUTE:
            by_key[record.session].append(record)
    told = [key for key in keys if by_key[key]]
    if not told:
        return None
    first = min(r.minute for found in by_key.values() for r in found) * NS_PER_MINUTE
    begin, end = whole_ticks(max(start_ns, first), end_ns)
    if begin >= end:
        return None
    cut = _cut(by_key, told, begin, end, TICK_NS)
    if (step_ns := fitting_step(cut)) != TICK_NS:
        cut = _cut(by_key, told, begin - begin % step_ns, end, step_ns)
    ahead = ahead_of_records([r for key in told for r in by_key[key]])
    stamps = {key: groups for key in told if (groups := told_stamps(by_key[key]))}
    table = replace(cut, stamps=stamps, ahead_s=ahead, seconds=RecordSeconds(by_key))
    return compare_windows(home, table, readings, changes_alone=changes_alone)


def _cut(
    by_key: Mapping[SessionKey, Sequence[Record]],
    told: Sequence[SessionKey],
    start_ns: int,
    end_ns: int,
    step_ns: int,
) -> WindowTable:
    """The records of these sessions in windows."""
    cutter = Cutter(told, start_ns=start_ns, end_ns=end_ns, step_ns=step_ns)
    for key in told:
        cutter.add(by_key[key])
    return cutter.table


def compare_windows(
    home: Home,
    windows: WindowTable,
    readings: Iterable[Reading],
    settings: Settings = DEFAULT_SETTINGS,
    *,
    changes_alone: bool = False,
) -> Comparison | None:
    """Judge the home's own sessions over windows that are cut already; None when nothing was sent in them.

    changes_alone: what was there before the first window is not looked for, and no level is told; it takes
    nearly all of the time. Columns of unknown sessions are passed over, and so are ticks before the first
    packet and after the last.
    """
    measured = windows.measured()
    if measured is None:
        return None
    there = [key for i, key in enumerate(measured.sessions) if measured.sent[:, i].any()]
    measured = measured.picked(there)
    if measured.ticks * measured.step_ns > LONG_NS and not changes_alone:
        return _by_days(home, measured, tuple(readings), settings)
    sessions = derive_sessions(home)
    case = prepare(home, sessions, measured, readings, settings)
    verdicts: list[Verdict] = []
    levels: tuple[Level, ...] = ()
    if judgeable(sessions, measured):
        verdicts, levels = (judge_changes(case), ()) if changes_alone else judge_with_levels(case)
    speaks = case.reporting.speaks
    answered, often = case.table.answered_at_all(), case.table.judged_at_all()
    spoke = [s for i, s in enumerate(case.sessions) if often[i] and speaks[:, i].any()]
    heard = [s.key for s, one in zip(case.sessions, answered, strict=True) if one]
    unmeasured = unmeasured_links(home, spoke, verdicts)
    few = [s for i, s in enumerate(case.sessions) if answered[i] and speaks[:, i].any() and not often[i]]
    return Comparison(
        home=home,
        start_ns=measured.at_ns(0),
        end_ns=measured.at_ns(measured.ticks),
        sessions=measured.sessions,
        packets=int(measured.sent.sum()),
        coarse=measured.coarse,
        stamps=measured.stamps,
        verdicts=tuple(verdicts),
        levels=levels,
        unmeasured=unmeasured,
        silent=silent_targets(case.sessions, heard, unmeasured),
        seldom=crossed_of(unmeasured, few),
        not_judged_s=unjudged_s([aside_ticks(case.reporting, case.table)], measured.step_ns),
        clocks_off_s=case.clocks,
        judged=Judged(
            windows=measured, sessions=case.sessions, table=case.table, speaks=speaks, use=case.use.share
        ),
    )


def _by_days(home: Home, windows: WindowTable, readings: Sequence[Reading], settings: Settings) -> Comparison:
    """The same of a measured span that is judged by the day."""
    days = days_of_windows(home, windows, readings, settings)
    return comparison_of_days(home, days, partial(own_windows, windows))


def days_of_windows(
    home: Home, windows: WindowTable, readings: Sequence[Reading], settings: Settings = DEFAULT_SETTINGS
) -> list[DayJudged]:
    """The judged days of a measured span."""
    days = []
    for span in day_spans(windows.at_ns(0), windows.at_ns(windows.ticks)):
        piece = windows.span(tick_at(windows, span.from_ns), tick_at(windows, span.to_ns))
        look = judge_day(home, piece, of_time(readings, span.from_ns, span.to_ns), span, settings)
        if look is not None:
            days.append(look.judged)
    return days


def comparison_of_days(home: Home, days: Sequence[DayJudged], own: OwnWindows) -> Comparison:
    """What days one after the other, at least one, come to."""
    found = days_together(days, own)
    sessions = derive_sessions(home)
    spoke = {key for day in days for key in day.spoke}
    asked = {key for day in days for key in day.columns}
    answered = {key for day in days for key in day.answered}
    unmeasured = unmeasured_links(home, [s for s in sessions if s.key in spoke], found.verdicts)
    # Who was never fit to speak is not asked too seldom.
    fit = {key for day in days for key, spoken in zip(day.columns, day.speaks.T, strict=True) if spoken.any()}
    few = [s for s in sessions if s.key in (answered & fit) - spoke]
    clocks: dict[str, float] = {}
    for day in days:
        clocks |= {a: s for a, s in day.clocks.items() if abs(s) >= abs(clocks.get(a, 0.0))}
    stamps: dict[SessionKey, frozenset[str]] = {}
    for day in days:
        stamps |= {key: stamps.get(key, frozenset()) | groups for key, groups in day.stamps.items()}
    return Comparison(
        home=home,
        start_ns=days[0].first_ns,
        end_ns=days[-1].last_ns,
        sessions=tuple(dict.fromkeys(key for day in days for key in day.heard)),
        packets=sum(day.packets for day in days),
        coarse=any(day.coarse for day in days),
        stamps=stamps,
        verdicts=found.verdicts,
        levels=found.levels,
        unmeasured=unmeasured,
        silent=silent_targets([s for s in sessions if s.key in asked], answered, unmeasured),
        seldom=crossed_of(unmeasured, few),
        not_judged_s=unjudged_s([day.aside for day in days], days[-1].step_ns),
        clocks_off_s=clocks,
        judged=judged_day(home, days[-1], own(days[-1].span)),
    )


def judged_day(home: Home, day: DayJudged, windows: WindowTable) -> Judged:
    """A day's own ticks as they were judged; windows: those ticks."""
    known = {s.key: s for s in derive_sessions(home)}
    return Judged(
        windows=windows,
        sessions=tuple(known[key] for key in day.columns),
        table=put_in_line(windows, day),
        speaks=day.speaks,
        use=day.use,
    )


def judged_days(home: Home, days: Sequence[DayJudged], own: OwnWindows) -> Judged:
    """The whole span of days, at least one, as it was judged: for a home's month a tenth of a gigabyte."""
    heard = {key for day in days for key in day.columns}
    sessions = tuple(s for s in derive_sessions(home) if s.key in heard)
    keys = [s.key for s in sessions]
    step_ns = days[0].step_ns
    table = one_after_another(
        (put_in_line(own(day.span), day) for day in days), keys, days[0].first_ns, days[-1].last_ns, step_ns
    )
    speaks, use = np.zeros(table.sent.shape, dtype=bool), np.full(table.ticks, np.nan)
    for day in days:
        at = (day.span.begin_ns - table.start_ns) // step_ns
        rows = slice(max(0, at), min(table.ticks, at + len(day.use)))
        of_day = slice(rows.start - at, rows.stop - at)
        speaks[rows, [keys.index(key) for key in day.columns]] = day.speaks[of_day]
        use[rows] = day.use[of_day]
    return Judged(windows=table, sessions=sessions, table=table, speaks=speaks, use=use)


def silent_targets(
    sessions: Sequence[Session], answered: Iterable[SessionKey], unmeasured: Sequence[str]
) -> tuple[str, ...]:
    """Targets past an unmeasured link that answered nobody, in the sessions' order."""
    heard = {key.target for key in answered}
    past = [s.key.target for s in sessions if any(link.name in unmeasured for link in s.path.links)]
    return tuple(dict.fromkeys(target for target in past if target not in heard))


def unmeasured_links(home: Home, spoke: Iterable[Session], verdicts: Iterable[Verdict]) -> tuple[str, ...]:
    """The home's links that none of these sessions crosses, which are those that ever spoke and were answered
    often enough, and that no verdict names."""
    crossed = {link.name for session in spoke for link in session.path.links}
    crossed.update(name for v in verdicts for name in v.elements)
    return tuple(dict.fromkeys(link.name for link in home.links if link.name not in crossed))


def crossed_of(links: Sequence[str], sessions: Iterable[Session]) -> tuple[str, ...]:
    """Those of these links that any of the sessions crosses, in their order."""
    crossed = {link.name for session in sessions for link in session.path.links}
    return tuple(name for name in links if name in crossed)


def verdict_data(verdict: Verdict) -> dict[str, Any]:
    """A verdict as JSON-ready data, with its sentences under "words"."""
    data: dict[str, Any] = msgspec.to_builtins(verdict)
    return data | {"words": explain(verdict)}


def comparison_data(comparison: Comparison) -> dict[str, Any]:
    """The whole answer as JSON-ready data."""
    return {
        "home": comparison.home.name,
        "from_ns": comparison.start_ns,
        "to_ns": comparison.end_ns,
        "sessions": [str(k) for k in comparison.sessions],
        "packets": comparison.packets,
        "coarse": comparison.coarse,
        "stamps": {str(key): sorted(groups) for key, groups in comparison.stamps.items()},
        "not_judged_s": dict(comparison.not_judged_s),
        "clocks_off_s": dict(comparison.clocks_off_s),
        "not_measured": list(comparison.unmeasured),
        "too_seldom": list(comparison.seldom),
        "silent": list(comparison.silent),
        "levels": [msgspec.to_builtins(v) for v in comparison.levels],
        "verdicts": [verdict_data(v) for v in comparison.verdicts],
        "felt": [msgspec.to_builtins(f) | {"line": f.line} for f in comparison.felt],
    }
