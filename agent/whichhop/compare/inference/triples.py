"""How well three elements at fault at once explain each tick, where two leave something over."""

from collections.abc import Mapping, Sequence
from functools import cache
from itertools import product

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.inference.baseline import Floats
from whichhop.compare.inference.evidence import SHAPES, ElementColumns, interpolation
from whichhop.compare.inference.likelihood import DELAYS_S, LOSSES, Evidence
from whichhop.compare.inference.pairs import Pairs, log_sum
from whichhop.compare.inference.screening import rolling

MOST_TICKS = 240
"""A fault's first forty minutes tell whether there is a third: more would cost time and change nothing."""
BASES = 6
"""Pairs to which a third is tried: the best of a stretch share the loudest element, and the third is among
what the others name."""
MOST = 4
"""Three faults at once are rare: this many sets of three compete in one stretch."""
GAIN_SPANS = (6, 30)
"""A third must pay for itself within a minute or five.
Two of `screening.SPANS`, so that both a short third and a faint one may show; two cost less than seven."""
LEAST_GAIN = 2.5
"""As near to its rarity a third's gain must come to compete (1 in 12), as a stretch must to be looked at."""

_WAYS = [
    (
        sum(d << i for i, (d, _, _) in enumerate(way)),
        sum(k << i for i, (_, k, _) in enumerate(way)),
        float(np.prod([w for _, _, w in way])),
    )
    for way in product(SHAPES, repeat=3)
]
"""Derived from SHAPES: who of the three is late (bits 1, 2, 4), who loses, and how probable that is."""
_LOG_SHARES = np.log(np.array([[w] for _, _, w in _WAYS], dtype=np.float32))


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
        terms = delay[[d for d, _, _ in _WAYS]] + loss[[k for _, k, _ in _WAYS]] + _LOG_SHARES
        top = terms.max(axis=0)
        return np.asarray(np.log(np.exp(terms - top).sum(axis=0)) + top, dtype=np.float32)

    def _parts(self, which: int, members: Sequence[int]) -> Floats:
        """Log means of one measure, (8, ticks), by who has it: 1, 2 and 4 for the three, summed."""
        single = (self._pairs.delay, self._pairs.loss)[which][self._ticks]
        out = np.zeros((8, len(self._ticks)), dtype=np.float32)
        for i, j in enumerate(members):
            out[1 << i] = single[:, j]
        for i, k in ((0, 1), (0, 2), (1, 2)):
            out[(1 << i) | (1 << k)] = self._pairs.part(which, members[i], members[k])[self._ticks]
        out[7] = self._joint(which, members)
        return out

    def _joint(self, which: int, members: Sequence[int]) -> Floats:
        columns = self._columns
        allowed = [(columns.delays, columns.losses)[which][:, j] for j in members]
        rows = (allowed[0][:, None, None] & allowed[1][None, :, None] & allowed[2][None, None, :]).reshape(-1)
        met = np.stack([columns.matrix[:, j] + columns.twice[:, j] for j in members], axis=1).astype(int)
        total = np.zeros((int(rows.sum()), len(self._ticks)), dtype=np.float32)
        for times in {tuple(row) for row in met.tolist()} - {(0, 0, 0)}:
            same = (met == times).all(axis=1).astype(np.float32)
            total += _weights(which, times)[rows] @ (self._evidence[which] @ same)
        return log_sum(total, len(allowed[0]) ** 3)


def found(
    tables: Triples,
    pairs: Mapping[tuple[int, int], Floats],
    chosen: Sequence[int],
    columns: Sequence[frozenset[int]],
    onset: NDArray[np.float64],
) -> list[tuple[int, int, int]]:
    """The sets of three that explain what every pair leaves over, best first.

    pairs: each pair's log-ratios over the same ticks. chosen: the elements that may be a third.
    """
    if not pairs:
        return []
    bases = sorted(pairs, key=lambda p: -float(pairs[p].sum()))[:BASES]
    rolled = {
        s: np.max([rolling(r.astype(np.float64), s) for r in pairs.values()], axis=0) for s in GAIN_SPANS
    }
    gains: dict[tuple[int, int, int], float] = {}
    for a, b in bases:
        for third in chosen:
            if len({columns[a], columns[b], columns[third]}) < 3:
                continue
            first, second, last = sorted((a, b, third))
            members = (first, second, last)
            if members not in gains:
                ratio = tables.ratio(members).astype(np.float64)
                best = max(float((rolling(ratio, s) - rolled[s]).max()) for s in GAIN_SPANS)
                gains[members] = best + float(np.log(onset[list(members)].min()))
    return sorted((m for m in gains if gains[m] > -LEAST_GAIN), key=lambda m: -gains[m])[:MOST]
