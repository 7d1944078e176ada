"""A sticky filter over cause sets in time: forward for live use, forward and backward over history."""

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from whichhop.compare.inference.settings import Settings

Matrix = NDArray[np.float64]
TINY = 1e-300
"""Derived: just above the least normal double (2.2e-308), so that a state that underflows can come back."""

COMES_AND_GOES = -2
"""In place of whose trouble is fresh: of the one at fault, whose fault shows in some ticks only."""
SOME_LATE = -3
"""Likewise: of the one at fault, which makes some packets late and does nothing else. Where nobody is at
fault, from here on down: of what may have late packets without one, see `usually_late`."""
SELDOMER = 0.1
"""How often a fault comes and goes, of all that begin. No source; swept on 15 such faults (each second to
eighth tick loses 4 to 10 of 10) and six homes with losses at random: half misses one, twice is alike."""
USUAL_LATE_EACH_S = 3600.0
"""How often what may be late by itself begins to be: once an hour. No source, an order of size: somebody
streams, a box has something to do."""
MEAN_COMING_S = 900.0
"""How long one lasts, as a whole: a quarter of an hour. Swept on the same: half and twice are alike."""


class States(Struct, frozen=True, kw_only=True):
    """The cause sets that compete: nothing, one, two, some threes; few also with recent trouble of one more.

    sets: per state the places (in the chosen elements) of what is at fault. recent: the place of the
    element whose trouble is fresh, or -1; COMES_AND_GOES of a fault that does; SOME_LATE of one that makes
    some packets late. step: (states, states) transition chances a tick, rows sum to 1. own: the part of
    `step` that follows the use of the line, to be scaled by it; None without own traffic.
    """

    sets: tuple[tuple[int, ...], ...]
    recent: tuple[int, ...]
    step: Matrix
    own: Matrix | None

    def having(self, places: Sequence[int]) -> NDArray[np.bool_]:
        """Which states hold any of these elements at fault."""
        wanted = frozenset(places)
        return np.array([not wanted.isdisjoint(s) for s in self.sets])

    def at_once(self) -> NDArray[np.intp]:
        """How many are at fault in each state."""
        return np.array([len(s) for s in self.sets], dtype=np.intp)

    def only(self, place: int) -> NDArray[np.bool_]:
        """Which states hold this element alone at fault, all the time."""
        return np.array(
            [s == (place,) and r > COMES_AND_GOES for s, r in zip(self.sets, self.recent, strict=True)]
        )


def usually_late(recent: int) -> int:
    """Of a state in which nobody is at fault, which of those that may be late by themselves is (from 0)."""
    return SOME_LATE - recent


def _listed(
    count: int,
    pairs: Sequence[tuple[int, int]],
    triples: Sequence[tuple[int, int, int]],
    *,
    at_times: bool,
    some_late: Sequence[int],
    usual: int,
) -> list[tuple[tuple[int, ...], int]]:
    """(what is at fault, whose trouble is fresh or -1) of every state; "nothing at all" comes first."""
    out: list[tuple[tuple[int, ...], int]] = [((), -1), *(((), k) for k in range(count))]
    out += [((k,), -1) for k in range(count)]
    if at_times:
        out += [((k,), COMES_AND_GOES) for k in range(count)]
    out += [((k,), SOME_LATE) for k in some_late]
    out += [((), SOME_LATE - n) for n in range(usual)]
    for a, b in pairs:
        out += [((a,), b), ((b,), a)]
    for a, b, c in triples:
        out += [(two, k) for two, k in (((a, b), c), ((a, c), b), ((b, c), a)) if two in pairs]
    return out + [(several, -1) for several in (*pairs, *triples)]


_LEAVE, _AGAIN, _CALM, _OVER, _LATER, _ONSET, _SELDOM = range(7)
"""Places of what a move's chance is made of, see `make_states`; so that all chances are one product."""


@lru_cache(maxsize=64)
def _moves(
    count: int,
    pairs: tuple[tuple[int, int], ...],
    triples: tuple[tuple[int, int, int], ...],
    at_times: bool,
    late: tuple[tuple[int, ...], int],
) -> tuple[list[tuple[tuple[int, ...], int]], NDArray[np.intp]]:
    """The states, and from which to which one may go: rows of start, end, kind of chance, and of the element
    whose onset it follows or -1. Most stretches of a home have the states of one before. late: places of what
    may make some packets late, and how many others may without a fault."""
    listed = _listed(count, pairs, triples, at_times=at_times, some_late=late[0], usual=late[1])
    place = {state: i for i, state in enumerate(listed)}
    rows: list[tuple[int, int, int, int]] = []

    def move(start: int, end: tuple[tuple[int, ...], int], kind: int, element: int = -1) -> None:
        if end in place:
            rows.append((start, place[end], kind, element))

    for i, (members, fresh) in enumerate(listed):
        if fresh <= COMES_AND_GOES:
            move(i, ((), members[0] if members else -1), _OVER)
            continue
        if not members:
            for k in range(count):
                move(i, ((k,), COMES_AND_GOES), _SELDOM, k)
                move(i, ((k,), SOME_LATE), _SELDOM, k)
            for n in range(late[1]):
                move(i, ((), SOME_LATE - n), _LATER)
        if fresh >= 0:
            move(i, (members, -1), _CALM)
        for k in range(count):
            if k in members:
                # What ends stays fresh for a while, in place of what was fresh before.
                rest = tuple(m for m in members if m != k)
                move(i, (rest, k) if (rest, k) in place else (rest, -1), _LEAVE)
                continue
            more = tuple(sorted((*members, k)))
            move(i, (more, -1), *((_AGAIN, -1) if k == fresh else (_ONSET, k)))
    return listed, np.array(rows, dtype=np.intp).reshape(-1, 4).T


def _one_after_another(
    start: NDArray[np.intp], end: NDArray[np.intp], size: int
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Places of two moves of which the second begins where the first ends, and not back to where it began."""
    order = np.argsort(start, kind="stable")
    count = np.bincount(start, minlength=size)
    many = count[end]
    first = np.repeat(np.arange(len(start)), many)
    within = np.arange(len(first)) - np.repeat(np.cumsum(many) - many, many)
    second = order[(np.cumsum(count) - count)[end[first]] + within]
    away = end[second] != start[first]
    return first[away], second[away]


def make_states(
    onset: NDArray[np.float64],
    pairs: Sequence[tuple[int, int]],
    *,
    own: int | None,
    step_s: float,
    settings: Settings,
    triples: Sequence[tuple[int, int, int]] = (),
    at_times: bool = False,
    some_late: Sequence[int] = (),
    usual: int = 0,
) -> States:
    """States for elements with these chances of an onset per tick.

    pairs, triples: places in `onset`, rising; of a triple's pairs those given lead to it and from it.
    at_times: faults that show in some ticks only compete too. some_late: places of what may make some
    packets late and do nothing else; usual: how many others may without a fault.
    """
    listed, (start, end, kind, element) = _moves(
        len(onset), tuple(pairs), tuple(triples), at_times, (tuple(some_late), usual)
    )
    lasting_s = {
        _LEAVE: settings.mean_fault_s,
        _AGAIN: settings.recent_onset_s,
        _CALM: settings.recent_s,
        _OVER: MEAN_COMING_S,
        _LATER: USUAL_LATE_EACH_S,
    }
    base = np.array([*(min(0.5, step_s / lasting_s[k]) for k in sorted(lasting_s)), 1.0, SELDOMER])
    chance = base[kind] * np.append(onset, 1.0)[element]
    size = len(listed)
    first, second = _one_after_another(start, end, size)
    places = np.concatenate([start * size + end, start[first] * size + end[second]])

    def summed(once: NDArray[np.float64], twice: NDArray[np.float64]) -> Matrix:
        # Two elements may change in one tick. Each order of the two is a way, and they are one and the same.
        found = np.bincount(places, np.concatenate([once, 0.5 * twice]), size * size)
        # Where nothing can change, numpy counts in whole numbers.
        return np.asarray(found.reshape(size, size), dtype=np.float64)

    step = summed(chance, chance[first] * chance[second])
    step[np.diag_indices_from(step)] += 1.0 - step.sum(axis=1)
    follows = None
    if own is not None:
        by_use = (element == own).astype(np.float64)
        part = chance[first] * chance[second] * (by_use[first] + by_use[second])
        follows = summed(chance * by_use, part)
        follows[np.diag_indices_from(follows)] -= follows.sum(axis=1)
    return States(
        sets=tuple(members for members, _ in listed),
        recent=tuple(fresh for _, fresh in listed),
        step=step,
        own=follows,
    )


class Track(Struct, frozen=True, kw_only=True):
    """Probabilities (ticks, states): `forward` knows only the past, `soon` one tick more, `smooth` all."""

    forward: Matrix
    soon: Matrix
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
        ahead = np.dot(now, states.step, out=forward[t])
        if scale[t] and states.own is not None:
            ahead += scale[t] * (now @ states.own)
        ahead *= weight[t]
        np.maximum(ahead, TINY, out=ahead)
        ahead /= ahead.sum()
        now = ahead
    if not smooth:
        return Track(forward=forward, soon=forward, smooth=forward, last=now)
    return Track(
        forward=forward,
        soon=_soon(states, weight, scale, forward),
        smooth=_backward(states, weight, scale, forward),
        last=now,
    )


def _soon(states: States, weight: Matrix, scale: NDArray[np.float64], forward: Matrix) -> Matrix:
    """Each tick in the light of the one after it: what live use makes of the last tick but one."""
    later = weight @ states.step.T
    if states.own is not None and scale.any():
        later += scale[:, None] * (weight @ states.own.T)
    out = forward.copy()
    out[:-1] *= later[1:]
    return np.asarray(out / out.sum(axis=1, keepdims=True))


def _backward(states: States, weight: Matrix, scale: NDArray[np.float64], forward: Matrix) -> Matrix:
    # What comes after each tick, first; then all ticks at once with what was before them.
    smooth = np.ones_like(forward)
    for t in range(len(forward) - 2, -1, -1):
        seen = smooth[t + 1] * weight[t + 1]
        back = states.step @ seen
        if scale[t + 1] and states.own is not None:
            back += scale[t + 1] * (states.own @ seen)
        np.divide(back, back.max(), out=smooth[t])
    smooth *= forward
    smooth[:-1] /= smooth[:-1].sum(axis=1, keepdims=True)
    return smooth
