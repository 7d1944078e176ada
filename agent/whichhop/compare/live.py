"""Live use: takes ticks as they come and says what stands now, with the same reasoning as over history."""

from bisect import bisect_left
from collections.abc import Iterable, Sequence

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from whichhop.compare.case import Case, bare_scene, prepare
from whichhop.compare.history import DEFAULT_SETTINGS, closes, verdicts
from whichhop.compare.inference.baseline import Baseline
from whichhop.compare.inference.evidence import columns_of
from whichhop.compare.inference.likelihood import Evidence
from whichhop.compare.inference.looked_before import LooksBefore
from whichhop.compare.inference.rated_ticks import RatedTicks, next_block
from whichhop.compare.inference.scan import Scan
from whichhop.compare.inference.segment import Close
from whichhop.compare.inference.settings import Settings
from whichhop.compare.sooner import Soon, heard_by_second, soon_of, soon_verdict
from whichhop.compare.standing.seen import Period
from whichhop.compare.standing.together import together
from whichhop.compare.standing.verdicts import StandingVerdicts
from whichhop.compare.suspects.elements import judged
from whichhop.compare.windows import own_traffic
from whichhop.compare.windows.reporting import reporting_of
from whichhop.compare.windows.seconds import Seconds, SecondsSource
from whichhop.compare.windows.table import TICK_NS, WindowTable, empty_table
from whichhop.model import Finding, Home, Level, Reading, Session, Verdict
from whichhop.model.units import NS_PER_S

SPARE_TICKS = 1080
"""Room beyond the baseline's reach, so that old ticks are dropped once in three hours, not every tick."""
LOOK_TICKS = 2160
"""How far back an episode may still change: six hours."""
REPORTING_TICKS = 12
SETTLING_TICKS = 2
"""Sleep is noticed a tick late, so the last ticks are rated again."""
LEAST_PROBABILITY = 0.01
"""Findings under this are not worth a line."""
FOREVER = 2**63 - 1
MARGIN_NS = 60 * 1_000_000_000
"""Counters are read now and then: what belongs to a tick may come from a reading just outside of it."""


class HomeState(Struct, frozen=True, kw_only=True):
    """What a follower knows after its last tick; the arrays are views, to be read at once.

    table: every tick it holds. speaks: (ticks, sessions), where a sample is evidence. baseline: the newest,
    None while it is still being learned. learning_s: seconds until there is one. verdicts: of the last hours,
    those that last with no end; judged_ns: where those hours begin. findings: of the last tick. levels: of
    every link once known, which takes levels_s seconds more.
    """

    home: Home
    sessions: tuple[Session, ...]
    table: WindowTable
    speaks: NDArray[np.bool_]
    baseline: Baseline | None
    learning_s: float
    verdicts: tuple[Verdict, ...]
    findings: tuple[Finding, ...]
    judged_ns: int
    levels: tuple[Level, ...]
    levels_s: float


class Follower:
    """Feed it ticks in order; it keeps a day of them and looks at the last hours anew each time.

    start_ns: when the first tick begins. An agent whose records come late is as good as silent until they
    do, so feed a tick once its records are due.
    """

    def __init__(
        self,
        home: Home,
        sessions: Sequence[Session],
        settings: Settings = DEFAULT_SETTINGS,
        *,
        start_ns: int,
        step_ns: int = TICK_NS,
        seconds: SecondsSource | None = None,
    ) -> None:
        """seconds: where those inside of ticks are had from."""
        self._seconds_of = seconds
        self._looked: dict[tuple[int, frozenset[int]], tuple[Soon, ...]] = {}
        self._looks = LooksBefore()
        self._newest: tuple[Case, Scan] | None = None
        self._home, self._settings = home, settings
        self._sessions = tuple(sorted(judged(sessions), key=lambda s: s.key))
        self._keep = int(settings.baseline_s / (step_ns * 1e-9))
        keys = [s.key for s in self._sessions]
        room = empty_table(keys, start_ns, self._keep + SPARE_TICKS, step_ns)
        self._readings: list[Reading] = []
        case = prepare(home, self._sessions, room.span(0, 0), (), self._settings)
        columns = columns_of(case.elements, len(keys))
        self._rated = RatedTicks(room, self._sessions, columns, settings)
        self._seen = 0
        self._next = settings.warm_up_ticks
        self._began: dict[tuple[str, ...], int] = {}
        self._worked_out: dict[tuple[int, int], Evidence] = {}
        self._settled = 0
        self._judged_ns = start_ns
        self._findings: list[Finding] = []
        self._verdicts: list[Verdict] = []
        self._teller = StandingVerdicts(
            home=home, sessions=self._sessions, elements=case.elements, settings=self._settings
        )
        self._first_use = np.zeros(0)

    def feed(self, piece: WindowTable, readings: Iterable[Reading] = ()) -> list[Verdict]:
        """Take in the next ticks; the verdicts of the last hours, those that last with no end.

        The piece must begin where the last one ended: ValueError otherwise. Sessions that it lacks are as
        good as silent; sessions unknown here are passed over.
        """
        if piece.start_ns != self.end_ns:
            raise ValueError(f"the piece begins at {piece.start_ns} ns, expected {self.end_ns} ns")
        self._readings = sorted([*self._readings, *readings], key=_instant)
        before_ns = self.end_ns
        place = {key: i for i, key in enumerate(s.key for s in self._sessions)}
        known = [(i, place[key]) for i, key in enumerate(piece.sessions) if key in place]
        at = 0
        while at < piece.ticks:
            if not self._rated.room:
                self._drop(SPARE_TICKS)
            # As many at once as are judged against one baseline, so that a day's history takes seconds.
            until = self._next - self._seen
            count = min(piece.ticks - at, self._rated.room, until if until > 0 else FOREVER)
            count = min(count, next_block(self._next, self._rated.step_s) - self._seen)
            self._take(piece.span(at, at + count), known)
            at += count
        # What comes at once, as a day's history does at a start, is all looked at.
        newest = (before_ns - self._rated.at_ns(0)) // self._rated.table.step_ns
        first = max(0, min(self._rated.filled - LOOK_TICKS, newest))
        self._judged_ns = self._rated.at_ns(first)
        changed = self._judge(first) if self._rated.blocks else []
        self._verdicts = together(self._standing_faults(), changed, self.end_ns)
        return self._verdicts

    def soon(self, seconds: Seconds) -> list[Verdict]:
        """What the seconds show that goes on and that no verdict yet tells, by the newest baseline.

        seconds: some that end now, the youngest as far as their packets' fate is known.
        """
        if self._newest is None or not seconds.count:
            return []
        case, done = self._newest
        named = {name for v in self._verdicts if v.end_ns is None for name in v.elements}
        mute = [i for e in case.elements if e.name in named for i in e.column]
        here = seconds.picked([s.key for s in case.sessions])
        speaks = heard_by_second(here, case.sessions)
        tick = (here.start_ns + np.arange(here.count) * NS_PER_S - done.table.start_ns) // done.table.step_ns
        known = (tick >= 0) & (tick < done.table.ticks)
        speaks[known] &= done.speaks[tick[known]]
        speaks[:, mute] = False
        found = soon_of(
            here,
            speaks,
            done,
            block=len(done.baselines) - 1,
            elements=case.elements,
            onset=case.onset,
        )
        bare = bare_scene(case)
        return [soon_verdict(one, bare, done) for one in found if one.span.lasting]

    def _standing_faults(self) -> list[Verdict]:
        """What stood before measuring began; once over, as long as the day's book has not closed on it."""
        held = self._rated.table
        if not self._teller.watch.settled:
            head = held.span(0, min(held.ticks, self._teller.watch.reach))
            readings = self._read_between(head.start_ns - MARGIN_NS, head.at_ns(head.ticks) + MARGIN_NS)
            self._first_use = own_traffic.usage(readings, head, self._home.plan, self._sessions)
        found = self._teller.verdicts(
            Period(
                table=held,
                speaks=self._rated.speaks,
                use=self._first_use,
                watched=self._rated.watched,
                agents=self._rated.agents,
                late_s=self._rated.late_s,
            )
        )
        return [v for v in found if v.end_ns is None or v.end_ns > self._judged_ns]

    def findings(self) -> list[Finding]:
        """The probability of each group in the last tick fed, likeliest first; empty when no fault is found.

        A group's members are those that are plausible, the likeliest first.
        """
        return self._findings

    @property
    def end_ns(self) -> int:
        """Where the next piece must begin."""
        return self._rated.at_ns(self._rated.filled)

    def standing(self) -> HomeState:
        """What is known now."""
        table = self._rated.table
        return HomeState(
            home=self._home,
            sessions=self._sessions,
            table=table,
            speaks=self._rated.speaks,
            baseline=self._rated.baselines[-1] if self._rated.baselines else None,
            learning_s=0.0 if self._rated.blocks else (self._next + 1 - self._seen) * self._rated.step_s,
            verdicts=tuple(self._verdicts),
            findings=tuple(self._findings),
            judged_ns=self._judged_ns,
            levels=self._teller.levels,
            levels_s=self._teller.watch.wait_ticks * self._rated.step_s,
        )

    def _take(self, piece: WindowTable, known: Sequence[tuple[int, int]]) -> None:
        """Take in ticks that are all judged against one baseline."""
        row, begins_block = self._rated.filled, self._seen >= self._next
        self._rated.append(piece, known)
        self._seen += piece.ticks
        self._rate(row, begins_block=begins_block)

    def _rate(self, row: int, *, begins_block: bool) -> None:
        rated = self._rated
        end = rated.filled
        near = self._settled = max(0, row + 1 - REPORTING_TICKS)
        readings = self._read_between(rated.at_ns(near), rated.at_ns(end))
        rated.report(near, reporting_of(rated.table.span(near, end), self._sessions, readings))
        at = row
        while at < end:
            if begins_block:
                rated.begin_block(at)
                self._next = next_block(self._seen - (end - at), rated.step_s)
            lower = None
            if rated.blocks:
                lower = rated.step_down(at + 1, end)
                rated.rate(max(rated.blocks[-1], at - SETTLING_TICKS), lower or end)
            # A better level that a session holds is its new baseline, at once.
            begins_block = lower is not None
            at = lower or end
        if begins_block and rated.blocks and rated.blocks[-1] < end:
            self._next = self._seen

    def _read_between(self, begin_ns: int, end_ns: int) -> list[Reading]:
        first, end = (bisect_left(self._readings, at, key=_instant) for at in (begin_ns, end_ns))
        return self._readings[first:end]

    def _drop(self, count: int) -> None:
        """Forget the oldest ticks."""
        self._rated.forget(count)
        self._worked_out.clear()
        self._teller.moved(count)
        self._readings = self._read_between(self._rated.at_ns(0), FOREVER)

    def _judge(self, first: int) -> list[Verdict]:
        case, done = self._recent(first)
        self._looks.begin_turn()
        looks = closes(case, done, look=self._looks.look)
        self._newest = case, done
        self._worked_out = {(first + a, first + b): part for (a, b), part in done.worked_out.items()}
        out = []
        began: dict[tuple[str, ...], int] = {}
        for verdict in verdicts(case, done, looks, newest=False):
            shown = verdict
            known = self._began.get(verdict.elements)
            if verdict.start_ns == case.table.start_ns and known is not None:
                # It began before what is looked at anew.
                shown = replace(verdict, start_ns=known)
            if verdict.end_ns is None:
                began[verdict.elements] = shown.start_ns
            out.append(shown)
        self._began = began
        self._findings = _last(case, looks, frozenset(began))
        return out

    def _recent(self, first: int) -> tuple[Case, Scan]:
        # Ticks after the last packet are not measured: they neither stretch an episode nor unmake anything.
        sent = np.flatnonzero(self._rated.table.sent[first:].any(axis=1))
        end = first + int(sent[-1]) + 1 if sent.size else self._rated.filled
        done = self._rated.scan(first, end, self._known_evidence(first))
        table = replace(done.table, seconds=self._seconds_of)
        self._looked = {at: found for at, found in self._looked.items() if at[0] >= table.start_ns}
        done = replace(done, table=table, looked=self._looked)
        readings = self._read_between(table.start_ns - MARGIN_NS, table.at_ns(table.ticks) + MARGIN_NS)
        case = prepare(self._home, self._sessions, table, readings, self._settings)
        # Who could speak was found as the ticks came, with what was known before these hours.
        reporting = replace(case.reporting, speaks=done.speaks, watched=self._rated.watched)
        case = replace(case, reporting=reporting)
        return case, done

    def _known_evidence(self, first: int) -> dict[tuple[int, int], Evidence]:
        """What the last turn worked out and nothing since has changed, by ticks counted from `first`."""
        out = {}
        for (begin, end), part in self._worked_out.items():
            low, high = max(begin, first), min(end, self._settled)
            if low < high:
                out[low - first, high - first] = part.cut(low - begin, high - begin)
        return out


def _instant(reading: Reading) -> int:
    return reading.at_ns


def _last(case: Case, looks: Sequence[Close], lasting: frozenset[tuple[str, ...]]) -> list[Finding]:
    """The groups suspected in the last tick; not those that explain what a verdict that lasts explains."""
    named = frozenset[str]().union(*lasting)
    explained = frozenset[int]().union(*(e.column for e in case.elements if e.name in named))
    out = []
    for close in looks:
        if close.stretch.end < case.table.ticks:
            continue
        for group in close.groups:
            probability = float(group.forward[-1])
            if probability < LEAST_PROBABILITY:
                continue
            parts = sorted(zip(-group.share[-1], group.members, strict=True))
            least = min(case.settings.plausible_share, float(-parts[0][0]))
            plausible = [j for part, j in parts if -part >= least]
            names = tuple(case.elements[j].name for j in plausible)
            if named.intersection(names) or not explained & case.elements[plausible[0]].column:
                at = case.table.at_ns(case.table.ticks - 1)
                out.append(Finding(start_ns=at, elements=names, probability=probability))
    return sorted(out, key=lambda f: -f.probability)
