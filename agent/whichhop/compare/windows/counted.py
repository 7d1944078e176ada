"""From readings of a byte counter to bits a second in each tick: wraps, resets, and what is not renewed."""

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.windows.table import WindowTable
from whichhop.model.units import NS_PER_S

WRAP = 2**32
OVER_PLAN = 1.5
"""No line carries more than this many times its plan (common practice)."""
LONGEST_GAP_S = 120.0
"""Readings further apart than this say nothing of a tick between them."""

SHORT_NS = NS_PER_S
"""A tick whose last reading came at most so long before its end is known: not so much happens in the rest."""


def fresh(
    points: list[tuple[int, float]], table: WindowTable, asked: NDArray[np.int64]
) -> list[tuple[int, float]]:
    """The readings without those that tell nothing new: the same value again, while packets of ours went over
    the line, which any counter of it counts.

    Many a router renews what it tells each half minute or never; a full line then looks unused.
    asked: packets sent over the line up to the end of each tick.
    """
    points.sort()
    edges = table.start_ns + np.arange(table.ticks + 1, dtype=np.int64) * table.step_ns
    sent = np.interp(
        np.array([at - table.start_ns for at, _ in points], dtype=np.float64),
        (edges - table.start_ns).astype(np.float64),
        np.concatenate([[0.0], asked.astype(np.float64)]),
    )
    values = np.array([value for _, value in points])
    again = np.append(False, values[1:] == values[:-1])
    if not again.any():
        return points
    out: list[tuple[int, float]] = []
    told = 0.0
    for point, by_then, same in zip(points, sent.tolist(), again.tolist(), strict=True):
        if same and by_then - told >= 1.0:
            continue
        out.append(point)
        told = by_then
    return out


def rates_of(
    points: list[tuple[int, float]], table: WindowTable, plan_bps: int | None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Bits a second in each tick, NaN where not known; and how far the readings around it are apart,
    seconds."""
    at = np.array([p[0] for p in points], dtype=np.int64)
    value = np.array([p[1] for p in points])
    out = np.full(table.ticks, np.nan)
    gap_s = np.diff(at) * 1e-9
    grown = np.diff(value)
    with np.errstate(invalid="ignore", divide="ignore"):
        wrapped = (grown + WRAP) * 8 / gap_s
        fits = (grown < 0) & (value[:-1] < WRAP) & (wrapped <= OVER_PLAN * (plan_bps or np.inf))
        rate = np.where(fits, wrapped, grown * 8 / gap_s)
    known = (gap_s > 0) & (gap_s <= LONGEST_GAP_S) & (rate >= 0)
    if plan_bps is not None and (grown < 0).any() and value.max() < WRAP:
        # Of 32 bits, it may have gone round once more than shows where the line carries as much meanwhile.
        with np.errstate(divide="ignore"):
            known &= rate + WRAP * 8 / gap_s > OVER_PLAN * plan_bps
    apart = np.zeros(table.ticks)
    if not known.any():
        return out, apart
    # Bits since the start at every reading, unknown stretches marked; ticks read it by interpolation.
    bits = np.concatenate([[0.0], np.cumsum(np.where(known, rate * gap_s, 0.0))])
    bad = np.concatenate([[0.0], np.cumsum(np.where(known, 0.0, gap_s))])
    edges = table.start_ns + np.arange(table.ticks + 1, dtype=np.int64) * table.step_ns
    inside = (edges[:-1] >= at[0]) & (edges[1:] <= at[-1] + SHORT_NS)
    # Seconds from the first reading: nanoseconds since the epoch do not fit a float.
    x, grid = (edges - at[0]) * 1e-9, (at - at[0]) * 1e-9
    sent = np.diff(np.interp(x, grid, bits))
    unknown = np.diff(np.interp(x, grid, bad))
    good = inside & (unknown <= 0)
    counted_s = np.diff(np.minimum(x, grid[-1]))
    out[good] = sent[good] / counted_s[good]
    # The interval that holds a tick's middle; those at its edges are shorter by a little or the same.
    place = np.searchsorted(grid, 0.5 * (x[:-1] + x[1:]), side="right") - 1
    apart[good] = gap_s[np.clip(place[good], 0, len(gap_s) - 1)]
    return out, apart
