"""Three elements at fault at once: how well they explain each tick, and which threes are worth it."""

from collections.abc import Mapping, Sequence
from functools import cache
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.inference.baseline import Floats
from whichhop.compare.inference.evidence import LOWEST, SHAPES, ElementColumns, interpolation
from whichhop.compare.inference.filter import States, Track
from whichhop.compare.inference.held_size import held
from whichhop.compare.inference.likelihood import DELAYS_S, LOSSES, Evidence
from whichhop.compare.inference.pairs import Pairs, log_sum, told_apart
from whichhop.compare.inference.screening import rolling

Three = tuple[int, int, int]
"""Elements, rising."""

TRIPLE_TICKS = 240
"""A fault's first forty minutes tell whether there is a third, where two leave something over: more would
cost time and change nothing."""
BASES = 6
"""Pairs to which a third is tried: the best of a stretch share the loudest element, and the third is among
what the others name."""
MOST = 4
"""Three faults at once are rare: sets of three with this many sets of columns compete in one stretch."""
ALIKE = 4
"""Of each of these so many with the same columns, which other evidence than packets may tell apart."""
LEFT_OUT = 4
"""Elements that do not compete so far and are tried as a third beside one pair: whatever explains what the
pair leaves over is seldom behind more than a box, its way in and its way out."""
GAIN_SPANS = (6, 30)
"""A third must pay for itself within a minute or five.
Two of `screening.SPANS`, so that both a short third and a faint one may show; two cost less than seven."""
LEAST_GAIN = 2.5
"""As near to its rarity a third's gain must come to compete (1 in 12), as a stretch must to be looked at."""

_THREE_WAYS = [
    (
        sum(d << i for i, (d, _, _) in enumerate(way)),
        sum(k << i for i, (_, k, _) in enumerate(way)),
        float(np.prod([w for _, _, w in way])),
    )
    for way in product(SHAPES, repeat=3)
]
"""Derived from SHAPES: who of the three is late (bits 1, 2, 4), who loses, and how probable that is."""
_THREE_LOG_SHARES = np.log(np.array([[w] for _, _, w in _THREE_WAYS], dtype=np.float32))


@cache
def _weights(which: int, times: tuple[int, int, int]) -> NDArray[np.float32]:
    """Weights (values of all three, grid) that read a table where each excess is met so many times."""
    if which == 0:
        parts = [n * DELAYS_S.astype(np.float64) for n in times]
        value = parts[0][:, None, None] + parts[1][None, :, None] + parts[2][None, None, :]
        return interpolation(DELAYS_S, value)
    kept = [(1.0 - LOSSES) ** n for n in times]
    return interpolation(
        LOSSES, 1.0 - kept[0][:, None, None] * kept[1][None, :, None] * kept[2][None, None, :]
    )


class Triples:
    """Evidence of three elements over some ticks of a stretch."""

    def __init__(
        self, evidence: Evidence, columns: ElementColumns, pairs: Pairs, ticks: NDArray[np.intp]
    ) -> None:
        self._evidence = (evidence.delay[:, ticks], evidence.loss[:, ticks])
        self._columns, self._pairs, self._ticks = columns, pairs, ticks

    def ratio(self, members: Sequence[int]) -> Floats:
        """Log-ratio per tick that the three are at fault together, each in its own way."""
        delay, loss = (self._parts(which, members) for which in (0, 1))
        terms = (
            delay[[d for d, _, _ in _THREE_WAYS]] + loss[[k for _, k, _ in _THREE_WAYS]] + _THREE_LOG_SHARES
        )
        top = terms.max(axis=0)
        return np.asarray(np.log(np.exp(terms - top).sum(axis=0)) + top, dtype=np.float32)

    def pair(self, a: int, b: int) -> Floats:
        """Log-ratio per tick that these two or one of them are at fault."""
        single = self._pairs.single[self._ticks]
        return np.asarray(
            np.maximum(self._pairs.ratio(a, b)[self._ticks], np.maximum(single[:, a], single[:, b]))
        )

    def _parts(self, which: int, members: Sequence[int]) -> Floats:
        """Log means of one measure, (8, ticks), by who has it: 1, 2 and 4 for the three, summed."""
        single = (self._pairs.delay, self._pairs.loss)[which][self._ticks]
        out = np.zeros((8, len(self._ticks)), dtype=np.float32)
        for i, j in enumerate(members):
            out[1 << i] = single[:, j]
        for i, k in ((0, 1), (0, 2), (1, 2)):
            out[(1 << i) | (1 << k)] = self._pairs.part(which, members[i], members[k])[self._ticks]
        out[7] = self._joint(which, members, out[[3, 5, 6]].max(axis=0))
        return out

    def _joint(self, which: int, members: Sequence[int], without: Floats) -> Floats:
        columns = self._columns
        allowed = [(columns.delays, columns.losses)[which][:, j] for j in members]
        space = allowed[0][:, None, None] & allowed[1][None, :, None] & allowed[2][None, None, :]
        for i, k in ((0, 1), (0, 2), (1, 2)):
            within = self._pairs.within(which, members[i], members[k])
            space &= np.expand_dims(told_apart(allowed[i], allowed[k], within), 3 - i - k)
        rows = space.reshape(-1)
        met = np.stack([columns.matrix[:, j] + columns.twice[:, j] for j in members], axis=1).astype(int)
        total = np.zeros((int(rows.sum()), len(self._ticks)), dtype=np.float32)
        for times in {tuple(row) for row in met.tolist()} - {(0, 0, 0)}:
            same = (met == times).all(axis=1).astype(np.float32)
            total += _weights(which, times)[rows] @ (self._evidence[which] @ same)
        divisor = len(allowed[0]) ** 3
        if which != 0:
            return log_sum(total, divisor)
        return held(total, np.maximum(without, np.float32(0.0)), divisor, LOWEST)

    def beside(
        self,
        base: tuple[int, int],
        others: Sequence[int],
        columns: Sequence[frozenset[int]],
        onset: NDArray[np.float64],
    ) -> list[int]:
        """Of other elements, one of each column, those that add most to either of a pair by itself."""
        single = self._pairs.single[self._ticks]
        some = [j for j in others if float(single[:, j].max()) > 0.0]
        self._pairs.work_out((a, j, False) for a in base for j in some)
        found: dict[frozenset[int], tuple[float, int]] = {}
        for j in some:
            more = np.min([self._pairs.ratio(a, j)[self._ticks] - single[:, a] for a in base], axis=0)
            added = max(float(rolling(more.astype(np.float64), s).max()) for s in GAIN_SPANS)
            added += float(np.log(onset[j]))
            if added > max(-LEAST_GAIN, found.get(columns[j], (-np.inf, 0))[0]):
                found[columns[j]] = added, j
        return [j for _, j in sorted(found.values(), reverse=True)[:LEFT_OUT]]


def likeliest(
    states: States, track: Track, chosen: Sequence[int], ticks: NDArray[np.intp]
) -> list[tuple[int, int]]:
    """The pairs that compete, those first that are likely in most of these ticks."""
    total: dict[tuple[int, int], float] = {}
    for members, each in zip(states.sets, track.smooth[ticks].sum(axis=0).tolist(), strict=True):
        if len(members) == 2:
            pair = chosen[members[0]], chosen[members[1]]
            total[pair] = total.get(pair, 0.0) + each
    return sorted(total, key=lambda pair: -total[pair])


def found_triples(
    tables: Triples,
    alone: Mapping[int, NDArray[np.floating]],
    pairs: Mapping[tuple[int, int], NDArray[np.floating]],
    columns: Sequence[frozenset[int]],
    onset: NDArray[np.float64],
) -> list[Three]:
    """The sets of three that explain what every pair leaves over, best first.

    alone, pairs: each competing element's and each pair's log-ratios over the same ticks, the likeliest pair
    first. A third may also be an element that does not compete so far, since what leads explained its part
    until there were three.

    Of three at fault now one pauses and now another, and two of them explain such a tick as well. So what any
    part of three explains is held, tick by tick, against what any part of a pair does.
    """
    if not pairs:
        return []
    known = {
        (a, b): np.maximum(both, np.maximum(alone[a], alone[b])).astype(np.float64)
        for (a, b), both in pairs.items()
    }
    so_far = {s: np.max([rolling(r, s) for r in known.values()], axis=0) for s in GAIN_SPANS}

    @cache
    def gain(members: Three) -> float:
        """What a set of three adds to what any pair explains, as far as it overcomes its rarity."""
        parts = [known[p] if p in known else tables.pair(*p) for p in combinations(members, 2)]
        best = np.max([tables.ratio(members), *parts], axis=0).astype(np.float64)
        more = max(float((rolling(best, s) - so_far[s]).max()) for s in GAIN_SPANS)
        return more + float(np.log(onset[list(members)].min()))

    # One of each column, or a group of many names would take every place.
    bases: dict[tuple[frozenset[int], frozenset[int]], tuple[int, int]] = {}
    for a, b in pairs:
        bases.setdefault((columns[a], columns[b]), (a, b))
    names: dict[frozenset[int], list[int]] = {}
    for j in alone:
        names.setdefault(columns[j], []).append(j)
    left_out = [j for j in range(len(columns)) if columns[j] and columns[j] not in names]
    best: dict[frozenset[frozenset[int]], float] = {}
    for a, b in list(bases.values())[:BASES]:
        for third in (*alone, *tables.beside((a, b), left_out, columns, onset)):
            kinds = frozenset((columns[a], columns[b], columns[third]))
            if len(kinds) == 3:
                best[kinds] = max(best.get(kinds, -LEAST_GAIN), gain(_rising(a, b, third)))
    out: list[Three] = []
    for kinds in sorted(best, key=lambda k: -best[k])[:MOST]:
        for kind in kinds:
            names.setdefault(kind, [j for j in left_out if columns[j] == kind])
        alike = [_rising(*members) for members in product(*(names[kind] for kind in kinds))]
        # Of one whose gain is too small no name comes out.
        out += sorted((m for m in alike if gain(m) > -LEAST_GAIN), key=lambda m: -gain(m))[:ALIKE]
    return out


def _rising(*members: int) -> Three:
    first, second, third = sorted(members)
    return first, second, third
