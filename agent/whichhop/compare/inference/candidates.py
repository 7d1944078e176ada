"""Which elements compete in a stretch: those that lead, those that add to them, and what comes and goes."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.inference.filter import SELDOMER
from whichhop.compare.inference.pairs import Pairs
from whichhop.compare.inference.screening import LONG_SPANS, MARGIN, at_times, rolling, supported
from whichhop.compare.inference.transients import LOG_MINOR

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

Passing = Sequence[tuple[int, NDArray[np.floating]]]
"""Elements, each with its log-ratio per tick beside a passing excess of one that does not compete."""


def candidates(
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


def coming_and_going(
    tables: Pairs, onset: NDArray[np.float64], quiet: NDArray[np.float64], none: float
) -> list[int]:
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
