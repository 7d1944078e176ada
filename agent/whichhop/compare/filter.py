"""A sticky filter over cause sets in time: forward for live use, forward and backward over history."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.settings import Settings

Matrix = NDArray[np.float64]
TINY = 1e-300


@dataclass(frozen=True, slots=True, kw_only=True)
class States:
    """The cause sets that compete: nothing, nothing after recent trouble of one element, one, two.

    sets: per state the places (in the chosen elements) of what is at fault. recent: the place of the
    element whose trouble is fresh, or -1. step: (states, states) transition chances a tick, rows sum to 1.
    own: the part of `step` that follows the use of the line, to be scaled by it; None without own traffic.
    """

    sets: tuple[tuple[int, ...], ...]
    recent: tuple[int, ...]
    step: Matrix
    own: Matrix | None

    def having(self, places: Sequence[int]) -> NDArray[np.bool_]:
        """Which states hold any of these elements at fault."""
        wanted = set(places)
        return np.array([bool(wanted.intersection(s)) for s in self.sets])


def make_states(
    onset: NDArray[np.float64],
    pairs: Sequence[tuple[int, int]],
    *,
    own: int | None,
    step_s: float,
    settings: Settings,
) -> States:
    """States for elements with these chances of an onset per tick; pairs are places in `onset`."""
    count = len(onset)
    sets: list[tuple[int, ...]] = [(), *((),) * count, *((k,) for k in range(count)), *pairs]
    recent = (-1, *range(count), *(-1,) * (count + len(pairs)))
    single = {k: 1 + count + k for k in range(count)}
    double = {frozenset(p): 1 + 2 * count + i for i, p in enumerate(pairs)}
    leave = min(0.5, step_s / settings.mean_fault_s)
    again = min(0.5, step_s / settings.recent_onset_s)
    calm = min(0.5, step_s / settings.recent_s)
    step = np.zeros((len(sets), len(sets)))
    follows = np.zeros_like(step)

    def move(start: int, end: int, chance: float, element: int | None = None) -> None:
        step[start, end] += chance
        if element is not None and element == own:
            follows[start, end] += chance
            follows[start, start] -= chance

    for k in range(count):
        move(0, single[k], onset[k], k)
        fresh = 1 + k
        for j in range(count):
            move(fresh, single[j], again if j == k else onset[j], None if j == k else j)
        move(fresh, 0, calm)
        move(single[k], fresh, leave)
        for j in range(count):
            if j != k:
                # A change of culprit in one tick is rare, but must not cost two.
                move(single[k], single[j], leave * onset[j], j)
    for pair, place in double.items():
        for k in pair:
            (other,) = pair - {k}
            move(single[k], place, onset[other], other)
            move(place, single[k], leave)
    step[np.diag_indices_from(step)] += 1.0 - step.sum(axis=1)
    return States(sets=tuple(sets), recent=recent, step=step, own=follows if own is not None else None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """Probabilities (ticks, states): `forward` knows only the past, `smooth` the whole stretch."""

    forward: Matrix
    smooth: Matrix
    last: NDArray[np.float64]


def run(
    states: States,
    log_likelihood: Matrix,
    *,
    start: NDArray[np.float64] | None = None,
    factor: NDArray[np.float64] | None = None,
    smooth: bool = True,
) -> Track:
    """Filter (ticks, states) log-likelihoods; `factor` scales own traffic's onset per tick.

    start: probabilities before the first tick; nothing at fault when None.
    """
    ticks, count = log_likelihood.shape
    now = np.zeros(count)
    now[0] = 1.0
    if start is not None:
        now = start
    weight = np.exp(log_likelihood - log_likelihood.max(axis=1, keepdims=True))
    scale = np.zeros(ticks) if states.own is None or factor is None else np.nan_to_num(factor - 1.0)
    forward = np.empty((ticks, count))
    for t in range(ticks):
        ahead = now @ states.step
        if scale[t] and states.own is not None:
            ahead += scale[t] * (now @ states.own)
        now = ahead * weight[t]
        now = np.maximum(now, TINY)
        now /= now.sum()
        forward[t] = now
    if not smooth:
        return Track(forward=forward, smooth=forward, last=now)
    return Track(forward=forward, smooth=_backward(states, weight, scale, forward), last=now)


def _backward(states: States, weight: Matrix, scale: NDArray[np.float64], forward: Matrix) -> Matrix:
    smooth = np.empty_like(forward)
    ticks, count = forward.shape
    later = np.ones(count)
    smooth[-1] = forward[-1]
    for t in range(ticks - 2, -1, -1):
        seen = later * weight[t + 1]
        back = states.step @ seen
        if scale[t + 1] and states.own is not None:
            back += scale[t + 1] * (states.own @ seen)
        later = back / back.max()
        both = forward[t] * later
        smooth[t] = both / both.sum()
    return smooth
