"""A standing fault as a verdict: cause, figures against what is usual, the guards of any other fault."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from whichhop.compare.inference.settings import Settings
from whichhop.compare.standing.columns import usual_shape
from whichhop.compare.standing.named import levels_of
from whichhop.compare.standing.outage import Outage, OutageWatch
from whichhop.compare.standing.own_use import own_use_at_first
from whichhop.compare.standing.seen import Period
from whichhop.compare.standing.usual import USUAL, Feature, kind_of
from whichhop.compare.standing.watch import StandingFault, StandingWatch, as_wired_lines_may, expected_of
from whichhop.compare.suspects.elements import OWN_TRAFFIC, Element, Nature
from whichhop.compare.suspects.priors import PRIORS
from whichhop.compare.suspects.vantage import COUNTING, advice_for
from whichhop.compare.verdict.episodes import Span
from whichhop.compare.verdict.late_hosts import late_machines, with_late_machines
from whichhop.compare.verdict.line_place import place_of, what_splits
from whichhop.compare.verdict.provider_guards import Scene, seen_in_scene, unmet
from whichhop.compare.verdict.verdict import (
    UNKNOWN_OWN_ODDS,
    FoundEpisode,
    Named,
    named_of,
    ruled_out,
    severity,
)
from whichhop.compare.windows.table import WindowTable
from whichhop.model import Cause, Home, Level, RuledOut, Session, Verdict

NAMED_RIGHT = (243, 240)
"""Groups named after ten minutes, in 242 homes with one fault and 60 without, and how many of them were right
(tests/standing/README.md)."""
MOST = (NAMED_RIGHT[1] + 1) / (NAMED_RIGHT[0] + 2)
"""What the model believes beyond this it cannot know: Laplace's rule of succession on the suite's cases."""


def published(probability: float) -> float:
    """A probability that was found true; never more than the suite bears out."""
    return min(probability, MOST)


Floats = NDArray[np.float64]
PROVIDERS = (Cause.UPSTREAM_LINK, Cause.BEYOND)
STILL_USUAL = 1.645
"""Spreads above the usual median that a session outside the fault may be and still count as clean: 95 %."""
MODEM_LEVELS = "read the modem's levels, or keep an older figure of this line beside today's"
THE_MEDIUM = "which medium the line truly is: as slow as this, a wired line of another one is healthy"
CLEAN = "sessions that cross it are as quick as such links usually are"
BELOW_READINGS = 0.05
"""How much less of a host's delays is left once its program was seen to run on time from the first packet on:
what its lower layers do, for longer than minutes; common practice."""
DELAYS = (Feature.LEVEL, Feature.TAIL, Feature.LATE)
ANSWERED = "packets that cross it are answered"
USUAL_LOSS = 0.01
AN_ANSWER = "an answer past it at any time: nothing there has answered yet, and test packets may be filtered"
"""Before the provider is accused of a line that let nothing through since before the first packet."""


@dataclass(slots=True)
class StandingVerdicts:
    """Keeps a watch, and tells what it found as verdicts; feed it the same growing table, or a whole one."""

    home: Home
    sessions: tuple[Session, ...]
    elements: tuple[Element, ...]
    settings: Settings
    watch: StandingWatch = field(init=False)
    _outages: OutageWatch = field(init=False)
    _told: dict[tuple[object, ...], Verdict] = field(default_factory=dict)
    _dropped: int = 0
    _own_use: Verdict | None = None

    def __post_init__(self) -> None:
        self.watch = StandingWatch(home=self.home, elements=self.elements)
        self._outages = OutageWatch(home=self.home, sessions=self.sessions, elements=self.elements)

    def verdicts(self, period: Period) -> list[Verdict]:
        """What stood before measuring began, in the order in which it was named."""
        out = []
        for one in self.watch.look(period):
            end = None if one.end is None else one.end + self._dropped
            key = (one.members, one.weighed.whole_s, end)
            if key not in self._told:
                self._told[key] = self._verdict(one, period)
            out.append(self._told[key])
        for silence in self._outages.look(period):
            end = None if silence.end is None else silence.end + self._dropped
            silent = (silence.members, "silent", end)
            if silent not in self._told:
                self._told[silent] = self._silent_verdict(silence, period)
            out.append(self._told[silent])
        if self._own_use is None and not self._dropped:
            self._own_use = own_use_at_first(self.home, self.sessions, self.elements, self.settings, period)
        return out if self._own_use is None else [*out, self._own_use]

    @property
    def levels(self) -> tuple[Level, ...]:
        """Of every link, by the longest period weighed so far; empty before three minutes."""
        latest = self.watch.latest
        return () if latest is None else levels_of(self.home, self.elements, latest)

    @property
    def outages(self) -> list[Outage]:
        """What let nothing through, in its verdicts' order; they stand behind those of `watch.told`."""
        return self._outages.told

    def moved(self, ticks: int) -> None:
        """The table's first ticks were dropped."""
        self._dropped += ticks
        self.watch.moved(ticks)
        self._outages.moved(ticks)

    def _verdict(self, one: StandingFault, period: Period) -> Verdict:
        table, watched = period.table, period.watched
        ticks = min(table.ticks, max(1, round(one.weighed.whole_s / (table.step_ns * 1e-9))))
        if one.end is not None:
            ticks = min(ticks, max(1, one.end))
        part = period.until(ticks)
        scene = self._scene(one, part)
        found = self._found(one, watched)
        if part.late_s is not None:
            late = late_machines(part.late_s, part.agents, 0, ticks)
            found = with_late_machines(self.elements, found, part.table, part.speaks, late)
        named = named_of(self.elements, found, self.settings, use_known=part.use_known, watched=watched)
        lead = self._lead(named)
        seen = seen_in_scene(scene)
        cleared = tuple(_usual_words(r) for r in ruled_out(scene, seen, lead, named.names, self.settings))
        missing: tuple[str, ...] = ()
        change = self._would_change(named.names)
        if lead.cause in PROVIDERS:
            showing = frozenset(i for i in lead.column if seen.shows[i])
            rivals = self._alive(lead, showing, {r.what for r in cleared}, watched)
            missing = unmet(scene, lead, self.settings, rivals)
            if as_wired_lines_may(self.home, self.elements, one):
                missing = (*missing, THE_MEDIUM)
            change = (*change, MODEM_LEVELS) if lead.cause is Cause.UPSTREAM_LINK else change
        return self._told_as(
            one,
            named,
            scene,
            period.table,
            column=sorted(lead.column),
            cleared=cleared,
            missing=missing,
            change=change,
            baseline={str(self.sessions[i].key): float(scene.loc50[i]) for i in sorted(lead.column)
                      if np.isfinite(scene.loc50[i])},
        )  # fmt: skip

    def _silent_verdict(self, one: Outage, period: Period) -> Verdict:
        """What let nothing through from the first packet on; never proven of a provider, whose side of the
        line has not answered yet."""
        part = period.until(max(1, one.named_at if one.end is None else min(one.named_at, one.end)))
        scene = self._bare_scene(part)
        found = FoundEpisode(
            members=one.members,
            shares=one.shares,
            span=Span(first=0, end=one.end or one.named_at, detected=one.named_at),
            probability=one.probability,
            lasting=one.end is None,
        )
        named = named_of(self.elements, found, self.settings, use_known=part.use_known, watched=part.watched)
        lead = self._lead(named)
        cleared = ruled_out(scene, seen_in_scene(scene), lead, named.names, self.settings)
        missing: tuple[str, ...] = ()
        if lead.cause in PROVIDERS:
            by_name = {e.name: e for e in self.elements}
            rivals = [by_name[n] for n in named.names if by_name[n].cause not in PROVIDERS]
            missing = (AN_ANSWER, *unmet(scene, lead, self.settings, rivals))
        return self._told_as(
            one,
            named,
            scene,
            period.table,
            column=list(one.column),
            cleared=tuple(replace(r, why=ANSWERED) if "quiet range" in r.why else r for r in cleared),
            missing=missing,
            change=self._would_change(named.names),
        )

    def _lead(self, named: Named) -> Element:
        """Of what is named the one that a provider is held to, else the likeliest."""
        by_name = {e.name: e for e in self.elements}
        return next(
            (by_name[n] for n in named.names if by_name[n].cause in PROVIDERS), by_name[named.names[0]]
        )

    def _told_as(
        self,
        one: StandingFault | Outage,
        named: Named,
        scene: Scene,
        table: WindowTable,
        *,
        column: list[int],
        cleared: tuple[RuledOut, ...],
        missing: tuple[str, ...],
        change: tuple[str, ...],
        baseline: Mapping[str, float] | None = None,
    ) -> Verdict:
        """What stood, from when measuring began to its end. column: the sessions whose excess is told."""
        group, said = one.probability, 1.0
        if self.settings.calibrated:
            group, said = published(one.probability), named.part
        return Verdict(
            cause=named.cause,
            elements=named.names,
            probability=group * said,
            start_ns=self.watch.since_ns if self.watch.since_ns is not None else table.start_ns,
            end_ns=None if one.end is None else table.at_ns(one.end),
            severity=severity(scene.table, scene.speaks, column, loc50=scene.loc50, loc80=scene.loc80),
            proven=not missing,
            missing=missing,
            ruled_out=cleared,
            would_change=change,
            baseline=baseline,
            detected_ns=table.at_ns(one.named_at),
            shares={n: group * part for n, part in zip(named.names, named.shares, strict=True)}
            if len(named.names) > 1
            else None,
            standing=True,
            place=place_of(self.home, self.elements, named.names)
            if named.cause is Cause.NOT_SEPARABLE
            else "",
        )

    def _bare_scene(self, part: Period) -> Scene:
        """A stretch in which only packets without an answer count: each session's delay is its usual one."""
        q50 = np.where(part.speaks, part.table.q50_s, np.nan)
        usual = np.full(q50.shape[1], np.nan, dtype=np.float32)
        there = np.isfinite(q50).any(axis=0)
        usual[there] = np.nanmedian(q50[:, there], axis=0)
        count = len(self.sessions)
        return Scene(
            home=self.home,
            sessions=self.sessions,
            elements=self.elements,
            table=part.table,
            speaks=part.speaks,
            loc50=usual,
            scale50=np.ones(count, dtype=np.float32),
            loc80=usual,
            base_loss=np.full(count, USUAL_LOSS),
            watched=part.watched,
            use=part.use,
        )

    def _scene(self, one: StandingFault, part: Period) -> Scene:
        """The stretch against what is usual.

        Inside the fault's column its own part is the excess, outside all that such links seldom have. Who was
        never answered (a guest network keeps machines apart, a target answers nobody) bears no fault out that
        others' answers come through: no loss of it, and no second target that shows it.
        """
        count = len(self.sessions)
        seen = one.weighed.seen
        usual, usual_loss = self._usual_bounds(count)
        outside = np.minimum(np.where(np.isfinite(seen.level_s), seen.level_s, np.inf), usual)
        base = np.minimum(usual_loss, 0.5)
        tail = np.nan_to_num(seen.tail_s)
        expected = expected_of(one)
        columns = list(expected.sessions)
        outside[columns] = expected.level_off_s
        base[columns] = np.maximum(expected.lost_off, 1e-4)
        tail[columns] = expected.tail_off_s
        loc50 = np.where(np.isfinite(outside), outside, np.nan).astype(np.float32)
        return Scene(
            home=self.home,
            sessions=self.sessions,
            elements=self.elements,
            table=part.table,
            speaks=part.speaks & ~((seen.sent > 0) & (seen.lost >= seen.sent)),
            loc50=loc50,
            scale50=np.nan_to_num(seen.level_error_s, nan=1.0).astype(np.float32),
            loc80=(loc50 + tail).astype(np.float32),
            base_loss=base,
            watched=part.watched,
            use=part.use,
        )

    def _usual_bounds(self, count: int) -> tuple[Floats, Floats]:
        """Per session the level and loss that its elements may have and still be usual."""
        level, loss = np.zeros(count), np.zeros(count)
        for element in self.elements:
            usual = USUAL[kind_of(self.home, element)]
            rows = list(element.column)
            level[rows] += usual.level.median * np.exp(STILL_USUAL * usual.level.log_sd)
            loss[rows] += usual.loss.median * np.exp(STILL_USUAL * usual.loss.log_sd)
        return level, loss

    def _found(self, one: StandingFault, watched: frozenset[str]) -> FoundEpisode:
        """The group for the rules that name any episode's.

        Each member's part is its prior, and how often faults of its nature seen_in_scene so.
        """
        parts = {}
        slow = any(f in one.features for f in DELAYS)
        lossy = Feature.LOSS in one.features
        for j, share in zip(one.members, one.shares, strict=True):
            prior = PRIORS[self.elements[j].nature]
            fits = prior.both if slow and lossy else prior.loss if lossy else prior.delay
            fits *= usual_shape(kind_of(self.home, self.elements[j]), one.features)
            # Own traffic has its odds in its prior here, which naming would count a second time.
            own = UNKNOWN_OWN_ODDS if self.elements[j].nature is Nature.OWN_TRAFFIC else 1.0
            below = BELOW_READINGS if slow and _watched_host(self.elements[j], watched) else 1.0
            parts[j] = share * fits * below / own
        ranked = sorted(parts, key=lambda j: (-parts[j], j))
        return FoundEpisode(
            members=tuple(ranked),
            shares=tuple(parts[j] / sum(parts.values()) for j in ranked),
            span=Span(first=0, end=one.end or one.named_at, detected=one.named_at),
            probability=one.probability,
            lasting=one.end is None,
        )

    def _alive(
        self, lead: Element, showing: frozenset[int], cleared: set[str], watched: frozenset[str]
    ) -> list[Element]:
        """Elements of the home that the affected sessions cannot tell from the line and nothing cleared."""
        return [
            e
            for e in self.elements
            if e.cause not in (*PROVIDERS, Cause.OWN_TRAFFIC, Cause.DESTINATION)
            and e.name not in cleared
            and showing
            and showing <= e.column
            and not _watched_host(e, watched)
        ]

    def _would_change(self, names: tuple[str, ...]) -> tuple[str, ...]:
        out: list[str] = []
        rest = tuple(n for n in names if n != OWN_TRAFFIC)
        if len(rest) > 1:
            out += [a.words for a in advice_for(self.home, self.sessions, (rest,))]
            out += what_splits(self.home, self.elements, rest)
        if OWN_TRAFFIC in names:
            out.append(COUNTING)
        return tuple(out)


def _watched_host(element: Element, watched: frozenset[str]) -> bool:
    return element.nature is Nature.HOST and element.name.partition(":")[2] in watched


def _usual_words(row: RuledOut) -> RuledOut:
    """The reason in words of levels, since there is no quiet past to speak of."""
    return replace(row, why=CLEAN) if "quiet range" in row.why else row
