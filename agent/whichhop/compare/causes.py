"""How well each element alone explains each tick, by the sessions that cross it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.baseline import Floats
from whichhop.compare.elements import Element, Nature
from whichhop.compare.likelihood import DELAYS_S, LOSSES, Evidence
from whichhop.compare.priors import PRIORS, RADIO_LEAST_S, Prior

TICK_MIX = (0.4, 0.3, 0.3)
"""In a tick a fault only delays, only loses, or does both."""
SHAPES = ((1, 0, TICK_MIX[0]), (0, 1, TICK_MIX[1]), (1, 1, TICK_MIX[2]))
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
    """Log of the mean of exp over the first axis; entries that are not allowed count as impossible.

    They stay in the divisor: an element that can do less must not thereby explain each tick better.
    """
    count = values.shape[0]
    if allowed is not None:
        shape = (count,) + (1,) * (values.ndim - allowed.ndim) + allowed.shape[1:]
        values = np.where(allowed.reshape(shape), values, -np.float32(np.inf))
    top = values.max(axis=0)
    total = np.exp(values - top).sum(axis=0)
    return np.asarray(np.maximum(np.log(total / np.float32(count)) + top, LOWEST), dtype=np.float32)


def part_sums(evidence: Evidence, columns: Columns) -> tuple[Floats, Floats]:
    """Evidence summed over each element's sessions: (len(DELAYS_S), ticks, elements), and for LOSSES."""
    return np.matmul(evidence.delay, columns.matrix), np.matmul(evidence.loss, columns.matrix)


def part_evidence(sums: tuple[Floats, Floats], columns: Columns) -> tuple[Floats, Floats]:
    """Per tick and element the log-ratio that all its sessions are delayed, and that all lose packets."""
    return log_mean(sums[0], columns.allowed), log_mean(sums[1], columns.allowed_loss)


def mixed(delay: Floats, loss: Floats) -> Floats:
    """Log-ratio per tick and element when a fault may in any tick delay, lose or both.

    The mix is the same for all elements: what shape an element's faults have is a matter of the whole
    episode (see `shapes`), and must not be counted anew in each tick.
    """
    mix = np.log(np.array(TICK_MIX, dtype=np.float32))
    first = np.logaddexp(delay + mix[0], loss + mix[1])
    return np.asarray(np.logaddexp(first, delay + loss + mix[2]), dtype=np.float32)
