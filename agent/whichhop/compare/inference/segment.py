"""Looks closely at one stretch of time: which cause sets compete, and how probable each group is when."""

from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from whichhop.compare.inference.baseline import Floats
from whichhop.compare.inference.candidates import Passing, candidates, coming_and_going
from whichhop.compare.inference.filter import (
    COMES_AND_GOES,
    SOME_LATE,
    States,
    Track,
    make_states,
    run,
    usually_late,
)
from whichhop.compare.inference.pairs import Pairs, distinct_pairs
from whichhop.compare.inference.scan import Scan
from whichhop.compare.inference.screening import Stretch, at_times
from whichhop.compare.inference.some_late import SomeLate, some_late
from whichhop.compare.inference.transients import (
    BLIP_LOG_RATIO,
    LOG_MINOR,
    Passed,
    any_log,
    lasting_log,
    none_log,
    passes_on,
    passing_log,
    passing_on_log,
    quiet_log,
)
from whichhop.compare.inference.triples import TRIPLE_TICKS, Triples, found_triples, likeliest
from whichhop.compare.suspects.elements import Element, Nature
from whichhop.compare.windows.around import summed_around

PAIR_AT = 0.5
"""Where two at once are likelier than not, a third is tried."""
AROUND_TICKS = 6
"""And a minute around, where another of the three may pause. Derived: the shorter of the times within which a
third must pay for itself (`triples.GAIN_SPANS`)."""


class Group(Struct, frozen=True, kw_only=True):
    """Elements that the sessions heard in the stretch cannot tell apart.

    members: indices of elements. forward, soon, smooth: (ticks,) probability that one of them is at fault,
    in the light of the past, of one tick more, of the whole stretch.
    share: (ticks, members) each member's part in it. delay, loss: (ticks,) log-ratios of the shapes. gain:
    (ticks,) by how much the likeliest set of causes with one of them explains the tick better than the
    likeliest without.
    """

    members: tuple[int, ...]
    forward: NDArray[np.float64]
    soon: NDArray[np.float64]
    smooth: NDArray[np.float64]
    share: NDArray[np.float64]
    delay: Floats
    loss: Floats
    gain: NDArray[np.float64]


class Close(Struct, frozen=True, kw_only=True):
    """The result of a close look: groups, and per tick the probability that nothing is at fault.

    nothing_yet, nothing: in the light of the past and of the whole stretch.
    """

    stretch: Stretch
    groups: tuple[Group, ...]
    nothing_yet: NDArray[np.float64]
    nothing: NDArray[np.float64]


class OwnUse(Struct, frozen=True, kw_only=True):
    """What other readings than packets tell.

    factor: per tick, on own traffic's onset. stay: by element, per tick the log-ratio of its being the cause.
    known: whether counters tell own traffic from the line in this stretch; see own_traffic.is_known.
    """

    factor: NDArray[np.float64]
    stay: Mapping[int, NDArray[np.float64]]
    known: bool


def columns_heard(elements: Sequence[Element], heard: frozenset[int]) -> list[frozenset[int]]:
    """Each element's column over the sessions that spoke.

    A box's air with only one of its radio links heard is that link, and no element of its own.
    """
    return [
        frozenset()
        if e.nature is Nature.AIR and sum(bool(p & heard) for p in e.parts) < 2
        else e.column & heard
        for e in elements
    ]


def look_closely(
    scan: Scan,
    elements: Sequence[Element],
    onset: NDArray[np.float64],
    use: OwnUse,
    stretch: Stretch,
) -> Close:
    """Run the filter over one stretch."""
    span = slice(stretch.first, stretch.end)
    settings = scan.settings
    evidence = scan.evidence(stretch.first, stretch.end)
    columns = columns_heard(elements, scan.heard(span))
    fit = scan.columns_at(stretch.first)
    tables = Pairs(evidence, fit)
    rate = scan.rates[scan.block_of(stretch.first)]
    blip, none, step_s = np.log(rate), none_log(fit.minor, rate), scan.table.step_ns * 1e-9
    quiet = quiet_log(passing_log(tables.single, tables.minor, rate, tables.usual_slow), none)
    most = settings.most_candidates
    coming = coming_and_going(tables, onset, quiet, none)
    late = some_late(evidence, fit, tables.minor, none=none, quiet=quiet, onset=onset, step_s=step_s)
    chosen, passing = candidates(
        tables, columns, onset, minor=fit.minor, blip=blip, coming=[*coming, *late.faults], most=most
    )
    apart = [j for j, e in enumerate(elements) if e.nature is Nature.OWN_TRAFFIC and use.known]
    pairs = distinct_pairs(columns, chosen, apart)
    race = Race(
        scan=scan,
        stretch=stretch,
        elements=elements,
        tables=tables,
        minor=fit.minor,
        blip=blip,
        none=none,
        quiet=lasting_log(quiet, tables.minor, none),
        chosen=chosen,
        passing=passing,
        onset=onset,
        use=use,
        late=late,
    )
    states, track, likelihood = race.run(pairs, {})
    busy = _several(states, track, likelihood)
    if busy.size >= settings.open_ticks:
        alone = {j: likelihood[busy][:, states.only(k)].max(axis=1) - none for k, j in enumerate(chosen)}
        more = found_triples(
            Triples(evidence, fit, tables, busy),
            alone,
            {(a, b): tables.ratio(a, b)[busy] for a, b in likeliest(states, track, chosen, busy)},
            columns,
            onset,
        )
        if more:
            every = Triples(evidence, fit, tables, np.arange(stretch.end - stretch.first))
            kinds = {columns[j] for members in more for j in members}
            chosen = [j for j in range(len(columns)) if j in chosen or columns[j] in kinds]
            pairs = sorted({*pairs, *(two for members in more for two in combinations(members, 2))})
            threes = {members: every.ratio(members) for members in more}
            states, track, likelihood = replace(race, chosen=chosen).run(pairs, threes)
    nobody = states.at_once() == 0
    return Close(
        stretch=stretch,
        groups=_groups(
            states, track, likelihood, columns, chosen, parts=(tables.delay, tables.loss), apart=apart
        ),
        nothing_yet=track.forward[:, nobody].sum(axis=1),
        nothing=track.smooth[:, nobody].sum(axis=1),
    )


def _several(states: States, track: Track, likelihood: NDArray[np.float64]) -> NDArray[np.intp]:
    """The ticks about which two may be at fault at once, so that a third is tried; the first of them.

    Where three are, no two may be likely: then the best single cause with a blip beside it is as good.
    """
    two, nobody = states.at_once() == 2, states.at_once() == 0
    if not two.any():
        return np.empty(0, dtype=np.intp)
    better = likelihood[:, two].max(axis=1) - likelihood[:, ~two].max(axis=1)
    shows = (track.smooth[:, two].sum(axis=1) > PAIR_AT) | (better > BLIP_LOG_RATIO)
    about = summed_around(shows.astype(np.int64), 2 * AROUND_TICKS + 1) > 0
    fault = track.smooth[:, nobody].sum(axis=1) < PAIR_AT
    return np.flatnonzero(about & fault)[:TRIPLE_TICKS]


class Race(Struct, frozen=True, kw_only=True):
    """What the filter of one stretch needs, whichever sets compete.

    blip, none: log chances a tick that an element has a passing excess, and that none has. quiet: (ticks,)
    log-likelihood of no fault, in which one element may have a passing excess.
    """

    scan: Scan
    stretch: Stretch
    elements: Sequence[Element]
    tables: Pairs
    minor: NDArray[np.bool_]
    blip: NDArray[np.float64]
    none: float
    quiet: NDArray[np.float64]
    chosen: Sequence[int]
    passing: Passing
    onset: NDArray[np.float64]
    use: OwnUse
    late: SomeLate

    def run(
        self, pairs: Sequence[tuple[int, int]], threes: Mapping[tuple[int, int, int], Floats]
    ) -> tuple[States, Track, NDArray[np.float64]]:
        """Let nothing, each chosen element, these pairs and these threes compete; threes with their
        ratios. Also the (ticks, states) log-likelihoods."""
        place = {j: k for k, j in enumerate(self.chosen)}
        span = slice(self.stretch.first, self.stretch.end)
        own = next((place[j] for j in self.chosen if self.elements[j].nature is Nature.OWN_TRAFFIC), None)
        states = make_states(
            self.onset[list(self.chosen)],
            [(place[a], place[b]) for a, b in pairs],
            own=own,
            step_s=self.scan.table.step_ns * 1e-9,
            settings=self.scan.settings,
            triples=[(place[a], place[b], place[c]) for a, b, c in threes],
            at_times=True,
            some_late=[k for k, j in enumerate(self.chosen) if j in self.late.faults],
            usual=len(self.late.usual),
        )
        likelihood = _likelihood(self, states, pairs, threes)
        for j in self.chosen:
            if j in self.use.stay:
                likelihood[:, states.having([place[j]])] += self.use.stay[j][span, None]
        settings = self.scan.settings
        track = run(states, likelihood, factor=self.use.factor[span], smooth=settings.smooth)
        return states, track, likelihood


def _likelihood(
    race: Race,
    states: States,
    pairs: Sequence[tuple[int, int]],
    threes: Mapping[tuple[int, int, int], Floats],
) -> NDArray[np.float64]:
    """(ticks, states) log-likelihoods; in each state one further element may have a passing excess.

    Without a fault even two may: stations that share the air have their bad moments together.
    """
    tables, chosen, minor, blip, none = race.tables, race.chosen, race.minor, race.blip, race.none
    ratios = tables.single
    on = _may_pass_on(race.scan, race.stretch, tables)
    nothing: list[NDArray[np.floating]] = [race.quiet]
    beside: dict[int, list[NDArray[np.floating]]] = {j: [ratios[:, j] + none] for j in chosen}
    passed: dict[int, list[Passed]] = {j: [] for j in chosen}
    small = [(*pair, True) for a, b in pairs for pair in ((a, b), (b, a)) if minor[pair[1]]]
    tables.work_out([*((a, b, False) for a, b in pairs), *small])
    for a, b in pairs:
        both = tables.ratio(a, b)
        nothing.append(both + blip[a] + blip[b])
        for one, other in ((a, b), (b, a)):
            beside[one].append(both + blip[other])
            passed[one].append((both + blip[other], both, on[:, other]))
            if minor[other]:
                slight = tables.beside_minor(one, other) + LOG_MINOR
                beside[one].append(slight)
                nothing.append(slight + blip[one])
    for one, both in race.passing:
        beside[one].append(both)
        nothing.append(both + blip[one])
    alone = [(ratios[:, j] + blip[j], ratios[:, j], on[:, j]) for j in np.flatnonzero(on.any(axis=0))]
    calm = passing_on_log(any_log(nothing), alone)
    out = np.empty((ratios.shape[0], len(states.sets)))
    for i, (members, fresh) in enumerate(zip(states.sets, states.recent, strict=True)):
        if fresh <= SOME_LATE:
            late = race.late
            out[:, i] = late.faults[chosen[members[0]]] if members else late.usual[usually_late(fresh)]
        elif not members:
            out[:, i] = calm
        elif fresh == COMES_AND_GOES:
            # By loss alone: delays come and go wherever radios share the air.
            out[:, i] = at_times(tables.loss[:, chosen[members[0]]] + none, calm)
        elif len(members) == 1:
            out[:, i] = passing_on_log(any_log(beside[chosen[members[0]]]), passed[chosen[members[0]]])
        elif len(members) == 2:
            out[:, i] = tables.ratio(chosen[members[0]], chosen[members[1]]) + none
        else:
            out[:, i] = threes[chosen[members[0]], chosen[members[1]], chosen[members[2]]] + none
    return out


def _may_pass_on(scan: Scan, stretch: Stretch, tables: Pairs) -> NDArray[np.bool_]:
    """(ticks, elements), where a loss may be one that passes and began in the tick before."""
    span, matrix = slice(stretch.first, stretch.end), scan.columns.matrix
    sent, lost = (
        np.where(scan.speaks[span], part[span], 0).astype(np.float32) @ matrix
        for part in (scan.table.sent, scan.table.lost)
    )
    share, step_s = lost / np.maximum(sent, 1.0), scan.table.step_ns * 1e-9
    return passes_on(share, tables.loss > 0.0, tables.delay > 0.0, step_s)


def _groups(
    states: States,
    track: Track,
    likelihood: NDArray[np.float64],
    columns: Sequence[frozenset[int]],
    chosen: Sequence[int],
    *,
    parts: tuple[Floats, Floats],
    apart: Sequence[int],
) -> tuple[Group, ...]:
    # Own traffic, once counters tell it apart, is a group of its own.
    by_column: dict[tuple[frozenset[int], bool], list[int]] = {}
    for place, j in enumerate(chosen):
        by_column.setdefault((columns[j], j in apart), []).append(place)
    out = []
    for places in by_column.values():
        any_of = states.having(places)
        smooth = track.smooth[:, any_of].sum(axis=1)
        each = np.stack([track.smooth[:, states.having([p])].sum(axis=1) for p in places], axis=1)
        out.append(
            Group(
                members=tuple(chosen[p] for p in places),
                forward=track.forward[:, any_of].sum(axis=1),
                soon=track.soon[:, any_of].sum(axis=1),
                smooth=smooth,
                share=each / np.maximum(each.sum(axis=1, keepdims=True), 1e-12),
                delay=parts[0][:, chosen[places[0]]],
                loss=parts[1][:, chosen[places[0]]],
                gain=likelihood[:, any_of].max(axis=1) - likelihood[:, ~any_of].max(axis=1),
            )
        )
    return tuple(out)
