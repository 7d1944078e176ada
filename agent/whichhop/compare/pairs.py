"""How well two elements at fault at once explain each tick: delays add, survivals multiply."""

from collections.abc import Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.baseline import Floats
from whichhop.compare.causes import LOWEST, SHAPES, Columns, mixed, part_evidence, part_sums
from whichhop.compare.likelihood import DELAYS_S, LOSSES, Evidence


def interpolation(grid: NDArray[np.floating], values: NDArray[np.floating]) -> NDArray[np.float32]:
    """Weights (values, grid) that read a table at other values; outside the grid its end is taken."""
    flat = np.clip(values.reshape(-1), grid[0], grid[-1])
    high = np.clip(np.searchsorted(grid, flat), 1, len(grid) - 1)
    part = (flat - grid[high - 1]) / (grid[high] - grid[high - 1])
    out = np.zeros((flat.size, len(grid)), dtype=np.float32)
    rows = np.arange(flat.size)
    out[rows, high - 1] = 1.0 - part
    out[rows, high] = part
    return out


_DELAY_SUMS = interpolation(DELAYS_S, DELAYS_S[:, None] + DELAYS_S[None, :])
_LOSS_SUMS = interpolation(LOSSES, 1.0 - (1.0 - LOSSES[:, None]) * (1.0 - LOSSES[None, :]))


def joint(first: Floats, second: Floats, shared: Floats, weights: NDArray[np.float32]) -> Floats:
    """Log of the sum over both excesses.

    first, second: (values, ticks) sums over the sessions that cross only the one, only the other.
    shared: (grid, ticks) sums over those that cross both. weights: (values of both, grid) read it at the two
    excesses together.
    """
    shape = (first.shape[0], second.shape[0], -1)
    total = first[:, None, :] + second[None, :, :] + (weights @ shared).reshape(shape)
    flat = total.reshape(first.shape[0] * second.shape[0], -1)
    top = flat.max(axis=0)
    return np.asarray(np.log(np.exp(flat - top).sum(axis=0)) + top, dtype=np.float32)


class Pairs:
    """Evidence of pairs of elements over one stretch; sums are kept, since many pairs share them."""

    def __init__(self, evidence: Evidence, columns: Columns) -> None:
        self._evidence, self._columns = evidence, columns
        self._sums = part_sums(evidence, columns)
        self.delay, self.loss = part_evidence(self._sums, columns)
        self.single = mixed(self.delay, self.loss)
        self._known: dict[tuple[int, int], Floats] = {}

    def ratio(self, a: int, b: int) -> Floats:
        """Log-ratio per tick that elements a and b are at fault together, each in its own way."""
        key = (min(a, b), max(a, b))
        if key not in self._known:
            self._known[key] = self._ratio(*key)
        return self._known[key]

    def _ratio(self, a: int, b: int) -> Floats:
        both = self._columns.matrix[:, a] * self._columns.matrix[:, b]
        if not both.any():
            return np.asarray(self.single[:, a] + self.single[:, b], dtype=np.float32)
        delay = (self.delay[:, a], self.delay[:, b], self._joint(0, a, b, both))
        loss = (self.loss[:, a], self.loss[:, b], self._joint(1, a, b, both))
        terms = []
        for da, la, wa in SHAPES:
            for db, lb, wb in SHAPES:
                term: Floats = np.full(self.delay.shape[0], np.log(wa * wb), dtype=np.float32)
                if da or db:
                    term = term + delay[2 if da and db else 0 if da else 1]
                if la or lb:
                    term = term + loss[2 if la and lb else 0 if la else 1]
                terms.append(term)
        return np.asarray(np.logaddexp.reduce(terms), dtype=np.float32)

    def _joint(self, which: int, a: int, b: int, both: Floats) -> Floats:
        table = (self._evidence.delay, self._evidence.loss)[which]
        allowed = (self._columns.allowed, self._columns.allowed_loss)[which]
        weights = (_DELAY_SUMS, _LOSS_SUMS)[which]
        shared = table @ both
        in_a, in_b = allowed[:, a], allowed[:, b]
        rows = (in_a[:, None] & in_b[None, :]).reshape(-1)
        # What crosses both is in each one's sum at its own value; it belongs in once, at the two together.
        first = self._sums[which][in_a, :, a] - shared[in_a]
        second = self._sums[which][in_b, :, b] - shared[in_b]
        mean = joint(first, second, shared, weights[rows]) - np.float32(np.log(len(rows)))
        return np.asarray(np.maximum(mean, LOWEST), dtype=np.float32)


def distinct_pairs(columns: Sequence[frozenset[int]], chosen: Sequence[int]) -> list[tuple[int, int]]:
    """Pairs of the chosen elements that packets can tell from one alone: their columns differ."""
    return [(a, b) for a, b in combinations(chosen, 2) if columns[a] != columns[b]]
