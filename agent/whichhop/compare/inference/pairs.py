"""How well two or three elements at fault at once explain each tick: delays add, survivals multiply."""

from collections.abc import Mapping, Sequence
from functools import cache
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.inference.baseline import Floats
from whichhop.compare.inference.evidence import (
    DELAY_TWICE,
    LOSS_TWICE,
    LOWEST,
    SHAPES,
    ElementColumns,
    interpolation,
    minor_evidence,
    mixed,
    part_evidence,
    part_sums,
)
from whichhop.compare.inference.likelihood import DELAYS_S, LOSSES, Evidence
from whichhop.compare.inference.screening import rolling

_TIMES = ((1, 1), (1, 2), (2, 1), (2, 2))
"""How often a session that crosses both elements may meet the first and the second."""
_DELAY_SUMS = {
    (a, b): interpolation(DELAYS_S, a * DELAYS_S[:, None] + b * DELAYS_S[None, :]) for a, b in _TIMES
}
_LOSS_SUMS = {
    (a, b): interpolation(LOSSES, 1.0 - (1.0 - LOSSES[:, None]) ** a * (1.0 - LOSSES[None, :]) ** b)
    for a, b in _TIMES
}

# Every way two faults may look at once: which of the two delays, which loses, and the share of that.
_WAYS = [(da + 2 * db, la + 2 * lb, wa * wb) for da, la, wa in SHAPES for db, lb, wb in SHAPES]
_DELAY_OF = [d for d, _, _ in _WAYS]
_LOSS_OF = [k for _, k, _ in _WAYS]
_LOG_SHARES = np.log(np.array([[w] for _, _, w in _WAYS], dtype=np.float32))


def joint(
    first: Floats, second: Floats, shared: Sequence[tuple[Floats, NDArray[np.float32]]], divisor: int
) -> Floats:
    """Log mean over both excesses.

    first, second: (values, ticks) sums over the sessions that cross only the one, only the other.
    shared: for sessions that cross both equally often, their (grid, ticks) sums and the weights (values of
    both, grid) that read these at the two excesses together. divisor: how many pairs of values there are.
    """
    count = first.shape[0] * second.shape[0]
    flat = (first[:, None, :] + second[None, :, :]).reshape(count, first.shape[1])
    for sums, weights in shared:
        flat += weights @ sums
    return log_sum(flat, divisor)


class Pairs:
    """Evidence of pairs of elements over one stretch; sums are kept, since many pairs share them."""

    def __init__(self, evidence: Evidence, columns: ElementColumns) -> None:
        self._evidence, self._columns = evidence, columns
        self._sums = part_sums(evidence, columns)
        self.delay, self.loss = part_evidence(self._sums, columns)
        self.single = mixed(self.delay, self.loss)
        self.minor = minor_evidence(self._sums, columns)
        self._known: dict[tuple[int, int, bool], Floats] = {}
        self._joints: dict[tuple[int, int, int], Floats] = {}

    def part(self, which: int, a: int, b: int) -> Floats:
        """Log mean per tick over both excesses of one measure (0 delay, 1 loss) that both elements have."""
        first, second = min(a, b), max(a, b)
        key = (which, first, second)
        if key not in self._joints:
            both = self._columns.matrix[:, first] * self._columns.matrix[:, second]
            self._joints[key] = self._parts(which, first, second, both, minor=False)[3]
        return self._joints[key]

    def ratio(self, a: int, b: int) -> Floats:
        """Log-ratio per tick that elements a and b are at fault together, each in its own way."""
        return self._kept(min(a, b), max(a, b), minor=False)

    def beside_minor(self, a: int, b: int) -> Floats:
        """Log-ratio per tick that a is at fault while b has a minor excess, which only some may have."""
        return self._kept(a, b, minor=True)

    def _kept(self, a: int, b: int, *, minor: bool) -> Floats:
        key = (a, b, minor)
        if key not in self._known:
            self._known[key] = self._ratio(a, b, minor=minor)
        return self._known[key]

    def _ratio(self, a: int, b: int, *, minor: bool) -> Floats:
        both = self._columns.matrix[:, a] * self._columns.matrix[:, b]
        if (self._columns.matrix[:, a] == self._columns.matrix[:, b]).all() and not minor:
            # Where both meet everywhere, packets see one excess.
            return np.maximum(self.single[:, a], self.single[:, b])
        if not both.any():
            other = self.minor if minor else self.single
            return np.asarray(self.single[:, a] + other[:, b], dtype=np.float32)
        delay = self._parts(0, a, b, both, minor=minor)
        loss = self._parts(1, a, b, both, minor=minor)
        terms = delay[_DELAY_OF] + loss[_LOSS_OF] + _LOG_SHARES
        top = terms.max(axis=0)
        return np.asarray(np.log(np.exp(terms - top).sum(axis=0)) + top, dtype=np.float32)

    def _parts(self, which: int, a: int, b: int, both: Floats, *, minor: bool) -> Floats:
        """Log means of one measure, (4, ticks): for neither, for a alone, for b alone, for both together."""
        allowed = (self._columns.delays, self._columns.losses)[which]
        in_a = allowed[:, a]
        in_b = below(allowed[:, b]) if minor else allowed[:, b]
        sums = self._sums[which]
        rows = (in_a[:, None] & in_b[None, :]).reshape(-1)
        single = (self.delay, self.loss)[which]
        out = np.zeros((4, single.shape[0]), dtype=np.float32)
        out[1] = single[:, a]
        out[2] = log_sum(sums[in_b, :, b], len(allowed)) if minor else single[:, b]
        # What crosses both is in each one's sum at its own value; it belongs in once, at the two together.
        first, second, shared = sums[:, :, a].copy(), sums[:, :, b].copy(), []
        doubled = (DELAY_TWICE, LOSS_TWICE)[which]
        for times, sessions in self._shared(a, b, both):
            met = (self._evidence.delay, self._evidence.loss)[which] @ sessions
            first -= doubled @ met if times[0] == 2 else met
            second -= doubled @ met if times[1] == 2 else met
            shared.append((met, (_DELAY_SUMS, _LOSS_SUMS)[which][times][rows]))
        out[3] = joint(first[in_a], second[in_b], shared, len(allowed) ** 2)
        return out

    def _shared(self, a: int, b: int, both: Floats) -> list[tuple[tuple[int, int], Floats]]:
        """The sessions that cross both, 1 or 0 each, by how often they meet the one and the other."""
        twice = self._columns.twice
        out = []
        for times in _TIMES:
            same = (twice[:, a] == times[0] - 1) & (twice[:, b] == times[1] - 1)
            met = np.where(same, both, np.float32(0.0))
            if met.any():
                out.append((times, met))
        return out


def below(allowed: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The grid values under the least allowed one."""
    return np.arange(len(allowed)) < int(np.argmax(allowed))


def log_sum(values: Floats, divisor: int) -> Floats:
    """Log of the sum of exp over the first axis over `divisor`; LOWEST when there is nothing to sum."""
    if not values.shape[0]:
        return np.full(values.shape[1], LOWEST, dtype=np.float32)
    top = values.max(axis=0)
    mean = np.log(np.exp(values - top).sum(axis=0) / np.float32(divisor)) + top
    return np.asarray(np.maximum(mean, LOWEST), dtype=np.float32)


def distinct_pairs(
    columns: Sequence[frozenset[int]], chosen: Sequence[int], apart: Sequence[int] = ()
) -> list[tuple[int, int]]:
    """Pairs of the chosen elements that can be told from one alone: their columns differ.

    apart: elements that evidence other than packets tells from those with the same column.
    """
    return [
        (a, b) for a, b in combinations(chosen, 2) if columns[a] != columns[b] or a in apart or b in apart
    ]


TRIPLE_TICKS = 240
"""A fault's first forty minutes tell whether there is a third, where two leave something over: more would
cost time and change nothing."""
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


def found_triples(
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
