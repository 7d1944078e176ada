"""Looks closely at one stretch of time: which cause sets compete, and how probable each group is when."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.inference.baseline import Floats
from whichhop.compare.inference.filter import States, Track, make_states, run
from whichhop.compare.inference.pairs import Pairs, distinct_pairs
from whichhop.compare.inference.scan import Scan
from whichhop.compare.inference.screening import Stretch, rolling, supported
from whichhop.compare.inference.transients import LOG_MINOR, none_log, passing_log, quiet_log
from whichhop.compare.suspects.elements import Element, Nature

POOL = 10
LEADERS = 3
MORE = 4
LEAST_GAIN = 2.5


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
class Use:
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


def look(
    scan: Scan,
    elements: Sequence[Element],
    onset: NDArray[np.float64],
    use: Use,
    stretch: Stretch,
) -> Close:
    """Run the filter over one stretch."""
    span = slice(stretch.first, stretch.end)
    settings = scan.settings
    evidence = scan.evidence(stretch.first, stretch.end)
    heard = frozenset(np.flatnonzero(scan.alibi.speaks[span].any(axis=0)).tolist())
    columns = columns_heard(elements, heard)
    tables = Pairs(evidence, scan.columns)
    chosen = _chosen(tables, columns, onset, settings.most_candidates)
    place = {j: k for k, j in enumerate(chosen)}
    apart = [j for j in chosen if elements[j].nature is Nature.OWN_TRAFFIC and use.known]
    pairs = distinct_pairs(columns, chosen, apart)
    own = next((place[j] for j in chosen if elements[j].nature is Nature.OWN_TRAFFIC), None)
    states = make_states(
        onset[chosen],
        [(place[a], place[b]) for a, b in pairs],
        own=own,
        step_s=scan.table.step_ns * 1e-9,
        settings=settings,
    )
    rate = scan.rates[scan.block_of(stretch.first)]
    likelihood = _likelihood(states, tables, chosen, pairs=pairs, scan=scan, rate=rate)
    for j in chosen:
        if j in use.stay:
            likelihood[:, states.having([place[j]])] += use.stay[j][span, None]
    track = run(states, likelihood, factor=use.factor[span], smooth=settings.smooth)
    return Close(
        stretch=stretch,
        groups=_groups(states, track, columns, chosen, parts=(tables.delay, tables.loss), apart=apart),
        nothing=track.smooth[:, [not s for s in states.sets]].sum(axis=1),
    )


def _chosen(
    tables: Pairs, columns: Sequence[frozenset[int]], onset: NDArray[np.float64], most: int
) -> list[int]:
    """Elements that lead at some time, then those that explain what the leaders leave over."""
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
    gains: dict[int, float] = {}
    for leader in leaders[:LEADERS]:
        for j in pool:
            gain = (tables.ratio(leader, j) - tables.single[:, leader]).astype(np.float64)[:, None]
            best = max(float(rolling(gain, span).max()) for span in (2, 6, 30))
            gains[j] = max(gains.get(j, -np.inf), best + float(np.log(onset[j])))
    more = sorted((j for j in gains if gains[j] > -LEAST_GAIN), key=lambda j: -gains[j])[:MORE]
    kinds |= {columns[j] for j in more}
    # Whoever shares a column with a candidate is one too, or its share would be nobody's.
    return [j for j in range(len(columns)) if columns[j] in kinds]


def _likelihood(
    states: States,
    tables: Pairs,
    chosen: Sequence[int],
    *,
    pairs: Sequence[tuple[int, int]],
    scan: Scan,
    rate: NDArray[np.float64],
) -> NDArray[np.float64]:
    """(ticks, states) log-likelihoods; in each state one further element may have a passing excess.

    Without a fault even two may: stations that share the air have their bad moments together.
    """
    ratios = tables.single
    blip = np.log(rate)
    none = none_log(scan.columns.minor, rate)
    passing = passing_log(ratios, tables.minor, rate)
    nothing: list[NDArray[np.floating]] = [quiet_log(passing, none)]
    beside: dict[int, list[NDArray[np.floating]]] = {j: [ratios[:, j] + none] for j in chosen}
    for a, b in pairs:
        both = tables.ratio(a, b)
        nothing.append(both + blip[a] + blip[b])
        for one, other in ((a, b), (b, a)):
            beside[one].append(both + blip[other])
            small = tables.beside_minor(one, other)
            if small is not None:
                beside[one].append(small + LOG_MINOR)
                nothing.append(small + LOG_MINOR + blip[one])
    quiet = np.logaddexp.reduce(nothing)
    out = np.empty((ratios.shape[0], len(states.sets)))
    for i, members in enumerate(states.sets):
        if not members:
            out[:, i] = quiet
        elif len(members) == 1:
            out[:, i] = np.logaddexp.reduce(beside[chosen[members[0]]])
        else:
            out[:, i] = tables.ratio(chosen[members[0]], chosen[members[1]]) + none
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
