"""Looks closely at one stretch of time: which cause sets compete, and how probable each group is when."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.inference.baseline import Floats
from whichhop.compare.inference.filter import COMES_AND_GOES, SELDOMER, States, Track, make_states, run
from whichhop.compare.inference.pairs import Pairs, distinct_pairs
from whichhop.compare.inference.scan import Scan
from whichhop.compare.inference.screening import LONG_SPANS, MARGIN, Stretch, at_times, rolling, supported
from whichhop.compare.inference.transients import (
    LOG_MINOR,
    any_log,
    lasting_log,
    none_log,
    passing_log,
    quiet_log,
)
from whichhop.compare.inference.triples import TRIPLE_TICKS, Triples, found_triples, likeliest
from whichhop.compare.suspects.elements import Element, Nature

POOL = 30
"""Elements beside the leaders that are tried with them: all that have any support, in a home of ordinary
size. Ten left out the second and third fault wherever a box, its air and its links have support of the
first."""
LEADERS = 3
"""Loudest elements with which the others are tried: three faults at once have three."""
MORE = 6
"""Of those so many compete, the best first: with four the third of three faults was left out."""
LEAST_GAIN = 2.5
"""As near to its rarity an element's gain must come (1 in 12), as a stretch must to be looked at."""
GAIN_SPANS = (2, 6, 30)
"""What is added must show within the two ticks that open an episode, a minute, or five."""
NEAR_BEST = 5.0
"""Of what may come and go all compete whose support comes as near to the best one's: 150 to 1, where strong
evidence becomes very strong (Kass and Raftery 1995, 3.2). Such a fault hardly leads in any minute, and a
near-copy, which one bad moment of its own tells from it, would be named in its place."""
PAIR_AT = 0.5
"""Where two at once are likelier than not, a third is tried."""

Passing = Sequence[tuple[int, NDArray[np.floating]]]
"""Elements, each with its log-ratio per tick beside a passing excess of one that does not compete."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Elements that the sessions heard in the stretch cannot tell apart.

    members: indices of elements. forward, soon, smooth: (ticks,) probability that one of them is at fault,
    in the light of the past, of one tick more, of the whole stretch.
    share: (ticks, members) each member's part in it. delay, loss: (ticks,) log-ratios of the shapes.
    """

    members: tuple[int, ...]
    forward: NDArray[np.float64]
    soon: NDArray[np.float64]
    smooth: NDArray[np.float64]
    share: NDArray[np.float64]
    delay: Floats
    loss: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Close:
    """The result of a close look: groups, and the probability per tick that nothing is at fault."""

    stretch: Stretch
    groups: tuple[Group, ...]
    nothing: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnUse:
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
    heard = frozenset(np.flatnonzero(scan.speaks[span].any(axis=0)).tolist())
    columns = columns_heard(elements, heard)
    fit = scan.columns_at(stretch.first)
    tables = Pairs(evidence, fit)
    rate = scan.rates[scan.block_of(stretch.first)]
    blip, none = np.log(rate), none_log(fit.minor, rate)
    quiet = quiet_log(passing_log(tables.single, tables.minor, rate, tables.usual_slow), none)
    most = settings.most_candidates
    coming = _coming(tables, onset, quiet, none)
    chosen, passing = _chosen(tables, columns, onset, minor=fit.minor, blip=blip, coming=coming, most=most)
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
    )
    states, track = race.run(pairs, {})
    busy = np.flatnonzero(track.smooth[:, [len(s) > 1 for s in states.sets]].sum(axis=1) > PAIR_AT)
    if busy.size >= settings.open_ticks:
        busy = busy[:TRIPLE_TICKS]
        more = found_triples(
            Triples(evidence, fit, tables, busy),
            {(a, b): tables.ratio(a, b)[busy] for a, b in likeliest(states, track, chosen, busy)},
            chosen,
            columns,
            onset,
        )
        if more:
            every = Triples(evidence, fit, tables, np.arange(stretch.end - stretch.first))
            kinds = {columns[j] for members in more for j in members}
            chosen = [j for j in range(len(columns)) if j in chosen or columns[j] in kinds]
            pairs = sorted({*pairs, *(two for members in more for two in combinations(members, 2))})
            threes = {members: every.ratio(members) for members in more}
            states, track = replace(race, chosen=chosen).run(pairs, threes)
    return Close(
        stretch=stretch,
        groups=_groups(states, track, columns, chosen, parts=(tables.delay, tables.loss), apart=apart),
        nothing=track.smooth[:, [not s for s in states.sets]].sum(axis=1),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Race:
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

    def run(
        self, pairs: Sequence[tuple[int, int]], threes: Mapping[tuple[int, int, int], Floats]
    ) -> tuple[States, Track]:
        """Let nothing, each chosen element, these pairs and these threes compete; threes with their
        ratios."""
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
        )
        likelihood = _likelihood(self, states, pairs, threes)
        for j in self.chosen:
            if j in self.use.stay:
                likelihood[:, states.having([place[j]])] += self.use.stay[j][span, None]
        settings = self.scan.settings
        return states, run(states, likelihood, factor=self.use.factor[span], smooth=settings.smooth)


def _chosen(
    tables: Pairs,
    columns: Sequence[frozenset[int]],
    onset: NDArray[np.float64],
    *,
    minor: NDArray[np.bool_],
    blip: NDArray[np.float64],
    coming: Sequence[int],
    most: int,
) -> tuple[list[int], Passing]:
    """Elements that lead at some time, then those that explain what the leaders leave over.

    coming: those that compete as what comes and goes. Also what passes by itself beside a leader: whether it
    is a fault must not hang on who competes.
    """
    leading, rest = supported(tables.single, onset)
    leaders = [j for j in leading if columns[j]]
    kinds: set[frozenset[int]] = set()
    for j in leaders:
        if len(kinds) < most:
            kinds.add(columns[j])
    # One of each column, or a group of many names would take every place.
    others: dict[frozenset[int], int] = {}
    for j in (*leading, *rest):
        if columns[j] and columns[j] not in kinds:
            others.setdefault(columns[j], j)
    pool = list(others.values())[:POOL]
    # Whose excess may be minor explains what a leader leaves over without a fault of anybody.
    busy = {columns[j]: j for j in np.flatnonzero(minor).tolist() if columns[j]}
    small = [(a, b) for a in leaders[:LEADERS] for b in busy.values() if columns[b] != columns[a]]
    ways = [(a, b, True) for a, b in small] + [(a, b, False) for a in leaders[:LEADERS] for b in pool]
    tables.work_out(ways)
    kinds |= {columns[j] for j in (*_adding(tables, leaders, pool, onset, small), *coming) if columns[j]}
    # Whoever shares a column with a candidate is one too, or its share would be nobody's.
    chosen = [j for j in range(len(columns)) if columns[j] in kinds]
    shown = [
        (j, b, little)
        for a, b, little in ways
        if columns[b] not in kinds
        and (_beside_passing(tables, a, b, blip, little=little) > np.maximum(tables.single[:, a], 0.0)).any()
        for j in chosen
        if columns[j] == columns[a]
    ]
    tables.work_out(shown)
    return chosen, [(j, _beside_passing(tables, j, b, blip, little=little)) for j, b, little in shown]


def _coming(tables: Pairs, onset: NDArray[np.float64], quiet: NDArray[np.float64], none: float) -> list[int]:
    """Elements whose loss may come and go, by their support over the minutes that suit them best."""
    shows = at_times(tables.loss + (none - quiet[:, None]), 0.0).astype(np.float64)
    score = np.max([rolling(shows, s).max(axis=0) for s in LONG_SPANS], axis=0) + np.log(onset * SELDOMER)
    near = np.flatnonzero(score > max(-MARGIN, float(score.max()) - NEAR_BEST))
    return [int(j) for j in near[np.argsort(-score[near])][:MORE]]


def _beside_passing(
    tables: Pairs, fault: int, other: int, blip: NDArray[np.float64], *, little: bool
) -> NDArray[np.floating]:
    """Log-ratio per tick of a fault while another's excess passes: too small to be a fault, or a blip."""
    both = tables.beside_minor(fault, other) if little else tables.ratio(fault, other)
    return np.asarray(both + (LOG_MINOR if little else blip[other]))


def _adding(
    tables: Pairs,
    leaders: Sequence[int],
    pool: Sequence[int],
    onset: NDArray[np.float64],
    small: Sequence[tuple[int, int]] = (),
) -> list[int]:
    """Those of the pool that explain what the leaders leave over, and what those before them do, best first.

    What an element adds is held against the best single leader of the same minutes, and then against each one
    that was taken: near-copies of one fault (a box, its air, its links) must not take every place.
    """
    single = tables.single.astype(np.float64)
    beside = {j: single[:, j] for j in leaders}
    for j, other in small:
        beside[j] = np.maximum(beside[j], tables.beside_minor(j, other) + LOG_MINOR)
    alone = (
        [np.max([rolling(each, s) for each in beside.values()], axis=0) for s in GAIN_SPANS]
        if leaders
        else []
    )
    adds: dict[int, list[NDArray[np.float64]]] = {}
    for j in pool:
        pairs = [tables.ratio(leader, j).astype(np.float64) for leader in leaders[:LEADERS]]
        if pairs:
            adds[j] = [
                np.max([rolling(r, s) for r in pairs], axis=0) - best
                for s, best in zip(GAIN_SPANS, alone, strict=True)
            ]
    out: list[int] = []
    while len(out) < MORE:
        gains = {j: max(float(a.max()) for a in adds[j]) + float(np.log(onset[j])) for j in adds}
        adds = {j: adds[j] for j in adds if gains[j] > -LEAST_GAIN}
        if not adds:
            break
        best = max(adds, key=lambda j: gains[j])
        taken = adds.pop(best)
        out.append(best)
        tables.work_out((best, j, False) for j in adds)
        for j, each in adds.items():
            more = (tables.ratio(best, j) - tables.single[:, best]).astype(np.float64)
            for i, s in enumerate(GAIN_SPANS):
                each[i] = np.where(taken[i] > 0, np.minimum(each[i], rolling(more, s)), each[i])
    return out


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
    nothing: list[NDArray[np.floating]] = [race.quiet]
    beside: dict[int, list[NDArray[np.floating]]] = {j: [ratios[:, j] + none] for j in chosen}
    small = [(*pair, True) for a, b in pairs for pair in ((a, b), (b, a)) if minor[pair[1]]]
    tables.work_out([*((a, b, False) for a, b in pairs), *small])
    for a, b in pairs:
        both = tables.ratio(a, b)
        nothing.append(both + blip[a] + blip[b])
        for one, other in ((a, b), (b, a)):
            beside[one].append(both + blip[other])
            if minor[other]:
                slight = tables.beside_minor(one, other) + LOG_MINOR
                beside[one].append(slight)
                nothing.append(slight + blip[one])
    for one, both in race.passing:
        beside[one].append(both)
        nothing.append(both + blip[one])
    calm = any_log(nothing)
    out = np.empty((ratios.shape[0], len(states.sets)))
    for i, (members, fresh) in enumerate(zip(states.sets, states.recent, strict=True)):
        if not members:
            out[:, i] = calm
        elif fresh == COMES_AND_GOES:
            # By loss alone: delays come and go wherever radios share the air.
            out[:, i] = at_times(tables.loss[:, chosen[members[0]]] + none, calm)
        elif len(members) == 1:
            out[:, i] = any_log(beside[chosen[members[0]]])
        elif len(members) == 2:
            out[:, i] = tables.ratio(chosen[members[0]], chosen[members[1]]) + none
        else:
            out[:, i] = threes[chosen[members[0]], chosen[members[1]], chosen[members[2]]] + none
    return out


def _groups(
    states: States,
    track: Track,
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
            )
        )
    return tuple(out)
