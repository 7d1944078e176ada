"""How well each small set of causes explains each tick: one element, or two at once."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.baseline import Floats
from whichhop.compare.elements import Element, Nature
from whichhop.compare.likelihood import DELAYS_S, LOSSES, Evidence
from whichhop.compare.priors import PRIORS, RADIO_LEAST_S, Prior

TICK_MIX = (0.4, 0.3, 0.3)
"""In a tick a fault only delays, only loses, or does both."""
_SHAPES = ((1, 0, TICK_MIX[0]), (0, 1, TICK_MIX[1]), (1, 1, TICK_MIX[2]))
LOWEST = np.float32(-60.0)
"""A log-ratio's floor, so that nothing becomes impossible."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """The routing matrix in numbers.

    matrix: (sessions, elements), 1 where the session crosses. allowed: (len(DELAYS_S), elements), the
    delays that count as a fault of the element. allowed_loss: (len(LOSSES), elements), likewise.
    """

    matrix: Floats
    allowed: NDArray[np.bool_]
    allowed_loss: NDArray[np.bool_]
    priors: tuple[Prior, ...]


BEHIND_RADIO = {Nature.HOST, Nature.REPLY, Nature.NODE, Nature.AIR}


def columns_of(elements: Sequence[Element], sessions: int) -> Columns:
    """The columns of these elements over `sessions` sessions."""
    radio = [e.column for e in elements if e.nature in (Nature.RADIO, Nature.BACKHAUL)]
    matrix = np.zeros((sessions, len(elements)), dtype=np.float32)
    for j, element in enumerate(elements):
        matrix[list(element.column), j] = 1.0
    priors = tuple(PRIORS[e.nature] for e in elements)
    # What is only seen through one radio hop must not be blamed for less than that hop may be.
    least = np.array(
        [
            RADIO_LEAST_S
            if e.nature in BEHIND_RADIO and any(e.column <= r for r in radio)
            else p.least_delay_s
            for e, p in zip(elements, priors, strict=True)
        ],
        dtype=np.float32,
    )
    most = np.array([p.most_loss for p in priors])
    return Columns(
        matrix=matrix,
        allowed=DELAYS_S[:, None] >= least[None, :] - 1e-6,
        allowed_loss=LOSSES[:, None] <= most[None, :],
        priors=priors,
    )


def log_mean(values: Floats, allowed: NDArray[np.bool_] | None = None) -> Floats:
    """Log of the mean of exp over the first axis, over the allowed entries only."""
    if allowed is None:
        count: NDArray[np.int64] | int = values.shape[0]
    else:
        shape = (values.shape[0],) + (1,) * (values.ndim - allowed.ndim) + allowed.shape[1:]
        values = np.where(allowed.reshape(shape), values, -np.float32(np.inf))
        count = allowed.sum(axis=0)
    top = values.max(axis=0)
    total = np.exp(values - top).sum(axis=0)
    return np.asarray(np.maximum(np.log(total / count) + top, LOWEST), dtype=np.float32)


def part_evidence(evidence: Evidence, columns: Columns) -> tuple[Floats, Floats]:
    """Per tick and element the log-ratio that all its sessions are delayed, and that all lose packets."""
    delay = np.matmul(evidence.delay, columns.matrix)
    loss = np.matmul(evidence.loss, columns.matrix)
    return log_mean(delay, columns.allowed), log_mean(loss, columns.allowed_loss)


def mixed(delay: Floats, loss: Floats) -> Floats:
    """Log-ratio per tick and element when a fault may in any tick delay, lose or both.

    The mix is the same for all elements: what shape an element's faults have is a matter of the whole
    episode (see `shapes`), and must not be counted anew in each tick.
    """
    mix = np.log(np.array(TICK_MIX, dtype=np.float32))
    first = np.logaddexp(delay + mix[0], loss + mix[1])
    return np.asarray(np.logaddexp(first, delay + loss + mix[2]), dtype=np.float32)


def _sums(grid: NDArray[np.floating], combine: "NDArray[np.floating]") -> NDArray[np.float32]:
    """Weights (pairs of grid values, grid) that interpolate a table at the combined values."""
    flat = np.clip(combine.reshape(-1), grid[0], grid[-1])
    high = np.clip(np.searchsorted(grid, flat), 1, len(grid) - 1)
    part = (flat - grid[high - 1]) / (grid[high] - grid[high - 1])
    out = np.zeros((flat.size, len(grid)), dtype=np.float32)
    rows = np.arange(flat.size)
    out[rows, high - 1] = 1.0 - part
    out[rows, high] = part
    return out


# Where two causes meet, delays add and survivals multiply.
_DELAY_SUMS = _sums(DELAYS_S, DELAYS_S[:, None] + DELAYS_S[None, :])
_LOSS_SUMS = _sums(LOSSES, 1.0 - (1.0 - LOSSES[:, None]) * (1.0 - LOSSES[None, :]))


def _joint(
    table: Floats,
    weights: NDArray[np.float32],
    *,
    only_a: Floats,
    only_b: Floats,
    both: Floats,
    allowed: NDArray[np.bool_],
) -> Floats:
    """Log mean over both excesses. table (grid, ticks, sessions); the masks are (sessions,)."""
    grid = table.shape[0]
    sum_a = table @ only_a
    sum_b = table @ only_b
    total = sum_a[:, None, :] + sum_b[None, :, :]
    if both.any():
        shared = table @ both
        total = total + (weights @ shared).reshape(grid, grid, -1)
    flat = total.reshape(grid * grid, -1)
    return log_mean(flat[allowed.reshape(-1)])


def pair_evidence(evidence: Evidence, columns: Columns, a: int, b: int) -> Floats:
    """Log-ratio per tick that elements a and b are at fault together, each in its own way."""
    in_a, in_b = columns.matrix[:, a], columns.matrix[:, b]
    only_a, only_b, both = in_a * (1 - in_b), in_b * (1 - in_a), in_a * in_b
    allowed = columns.allowed[:, a][:, None] & columns.allowed[:, b][None, :]
    allowed_loss = columns.allowed_loss[:, a][:, None] & columns.allowed_loss[:, b][None, :]
    delay = {
        (0, 0): np.zeros(evidence.delay.shape[1], dtype=np.float32),
        (1, 0): log_mean((evidence.delay @ in_a)[columns.allowed[:, a]]),
        (0, 1): log_mean((evidence.delay @ in_b)[columns.allowed[:, b]]),
        (1, 1): _joint(evidence.delay, _DELAY_SUMS, only_a=only_a, only_b=only_b, both=both, allowed=allowed),
    }
    loss = {
        (0, 0): np.zeros(evidence.loss.shape[1], dtype=np.float32),
        (1, 0): log_mean((evidence.loss @ in_a)[columns.allowed_loss[:, a]]),
        (0, 1): log_mean((evidence.loss @ in_b)[columns.allowed_loss[:, b]]),
        (1, 1): _joint(
            evidence.loss, _LOSS_SUMS, only_a=only_a, only_b=only_b, both=both, allowed=allowed_loss
        ),
    }
    terms = []
    for da, la, wa in _SHAPES:
        for db, lb, wb in _SHAPES:
            terms.append(delay[da, db] + loss[la, lb] + np.float32(np.log(wa * wb)))
    return np.asarray(np.logaddexp.reduce(terms), dtype=np.float32)


def distinct_pairs(columns: Sequence[frozenset[int]], chosen: Sequence[int]) -> list[tuple[int, int]]:
    """Pairs of the chosen elements that packets can tell from one alone: their columns differ."""
    return [(a, b) for a, b in combinations(chosen, 2) if columns[a] != columns[b]]
