"""Finds the few stretches of time worth a close look, so that quiet weeks cost next to nothing."""

from collections.abc import Iterator, Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from whichhop.compare.inference.baseline import Floats
from whichhop.compare.windows.around import runs_of

SPANS = (1, 2, 3, 6, 12, 30, 60)
"""Ticks over which support is added up: short and strong, long and faint. Derived: each is at most two and
a half times the one before, so that a fault of any length has one near its own."""
LONG_SPANS = SPANS[4:]
"""Over which a fault that comes and goes adds up: a single tick of it is a blip like others."""
SHOWS = 0.3
"""In which share of its ticks such a fault shows. Swept on 15 of them, each second to eighth tick: half of it
names as many, 0.4 misses two, twice five; of six homes with losses at random in a twentieth of the ticks then
fewer are blamed."""
MARGIN = 2.5
"""A stretch is looked at once some element's support comes within this of its rarity (1 in 12)."""
LEADS = -4.0
"""An element leads where its support over three ticks comes this near its rarity."""
AFTER_TICKS = 12
"""Two minutes of quiet end a stretch, well past what closes an episode. It costs time only: half and twice of
it changed nothing (tests/suite/results/priors.md)."""
JOIN_TICKS = 18
"""Stretches nearer than three minutes are looked at as one. It costs time only, as above."""
LONGEST = 8640
"""A day of ticks of 10 s, which bounds memory: longer stretches are cut, and episodes merged again
afterwards."""

FEW = 4
"""Elements summed up at once. Derived: a month of four in the precision of sums is 8 MB; no figure hangs
on it."""


class Stretch(Struct, frozen=True, kw_only=True):
    """Ticks first..end-1 in which something may be wrong."""

    first: int
    end: int


def at_times(fault: NDArray[np.floating], quiet: NDArray[np.floating] | float) -> NDArray[np.floating]:
    """Log-likelihood per tick of a fault that shows in some ticks only, from those of a fault and of none."""
    return np.asarray(np.logaddexp(fault + np.log(SHOWS), quiet + np.log1p(-SHOWS)))


def rolling(values: NDArray[np.float64], span: int) -> NDArray[np.float64]:
    """Sums of the last `span` rows up to and with each row; shorter at the start."""
    return _last(np.cumsum(values, axis=0), span)


def _last(total: NDArray[np.float64], span: int) -> NDArray[np.float64]:
    out = total.copy()
    out[span:] -= total[:-span]
    return out


def few_at_once(
    ratios: Floats, quiet: NDArray[np.float64], onset: NDArray[np.float64]
) -> Iterator[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Log-ratios over "no fault", (ticks, a few elements), and what each needs to be looked at.

    A month's of all elements at once, in the precision of sums, would take more memory than its windows.
    """
    some = np.flatnonzero((ratios > quiet[:, None]).any(axis=0))
    for first in range(0, some.size, FEW):
        few = some[first : first + FEW]
        yield ratios[:, few] - quiet[:, None], -np.log(onset[few]) - MARGIN


def stretches(
    ratios: Floats,
    quiet: NDArray[np.float64],
    onset: NDArray[np.float64],
    offset: int = 0,
    *,
    late: tuple[NDArray[np.floating], NDArray[np.float64]] | None = None,
) -> list[Stretch]:
    """Stretches in which an element's log-ratio over "no fault" could overcome the rarity of its faults.

    ratios: (ticks, elements). quiet: (ticks,) log-likelihood of no fault. onset: chance per tick.
    offset: the tick of the first row. late: (ticks, some) log-ratios of some late packets for minutes, and
    the log of how seldom such minutes begin.
    """
    ticks = ratios.shape[0]
    cover = np.zeros(ticks + 1, dtype=np.int64)

    def look(support: NDArray[np.floating], need: NDArray[np.float64], spans: Sequence[int]) -> None:
        total = np.cumsum(support, axis=0, dtype=np.float64)
        for span in spans:
            last = np.flatnonzero((_last(total, span) > need).any(axis=1))
            np.add.at(cover, np.maximum(0, last - span - 1), 1)
            np.add.at(cover, np.minimum(ticks, last + AFTER_TICKS), -1)

    for net, need in few_at_once(ratios, quiet, onset):
        look(net, need, SPANS)
        look(at_times(net, 0.0), need, LONG_SPANS)
    if late is not None and late[0].size:
        look(late[0], -late[1] - MARGIN, LONG_SPANS)
    inside = np.cumsum(cover[:-1]) > 0
    return [Stretch(first=s.first + offset, end=s.end + offset) for s in _runs(inside)]


def _runs(inside: NDArray[np.bool_]) -> list[Stretch]:
    joined: list[list[int]] = []
    for first, end in runs_of(inside):
        if joined and first - joined[-1][1] <= JOIN_TICKS:
            joined[-1][1] = end
        else:
            joined.append([first, end])
    out = []
    for first, end in joined:
        out += [Stretch(first=a, end=min(a + LONGEST, end)) for a in range(first, end, LONGEST)]
    return out


def supported(ratios: Floats, onset: NDArray[np.float64]) -> tuple[list[int], list[int]]:
    """The elements with support in a stretch, best first: those that lead at some time, and the rest.

    Leaders by how often they lead: a stretch may hold several faults one after the other, and a loud one
    must not crowd out a faint one. The rest by rolling sums against their rarity.
    """
    total = np.cumsum(ratios, axis=0, dtype=np.float64)
    best = np.max([_last(total, span).max(axis=0) for span in SPANS[1:5]], axis=0)
    score = best + np.log(onset)
    near = _last(total, 3) + np.log(onset)
    first = near.argmax(axis=1)
    strong = near.max(axis=1) > LEADS
    wins = np.bincount(first[strong], minlength=len(onset))
    order: list[int] = np.lexsort((-score, -wins)).tolist()
    leaders = [j for j in order if wins[j]]
    return leaders, [j for j in order if not wins[j] and best[j] > 1.0]
