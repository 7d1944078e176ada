"""How much of the plan the home itself was using in each tick, from byte counters."""

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.windows.table import WindowTable
from whichhop.model import Plan, Reading
from whichhop.model.units import NS_PER_S

COUNTERS = {"wan_rx_bytes": "down", "wan_tx_bytes": "up"}
WRAP = 2**32
LONGEST_GAP_S = 120.0
"""Readings further apart than this say nothing of a tick between them."""

SHORT_NS = NS_PER_S
"""A tick whose last reading came at most so long before its end is known: not so much happens in the rest."""


def is_known(share: NDArray[np.float64]) -> bool:
    """Whether counters tell the home's own traffic in a stretch of ticks: in at least half of them.

    The one definition: it decides in a stretch whether own traffic and the line can be told apart, and over
    an episode whether the provider may be held to it. Half, so that a missed reading unmakes nothing, while
    an episode that was mostly not counted is not called counted.
    """
    return bool(share.size) and 2 * int(np.isfinite(share).sum()) >= share.size


def usage(readings: Iterable[Reading], table: WindowTable, plan: Plan | None) -> NDArray[np.float64]:
    """Per tick the higher of the down and up rates against the plan; NaN where not known.

    A counter that goes back is a 32-bit wrap when that gives a rate the plan allows, else a reset: unknown.
    """
    out = np.full(table.ticks, np.nan)
    if plan is None:
        return out
    series: dict[tuple[str, str], list[tuple[int, float]]] = {}
    for r in readings:
        if r.name in COUNTERS:
            series.setdefault((r.agent, r.name), []).append((r.at_ns, r.value))
    for (_, name), points in series.items():
        plan_bps = plan.down_bps if COUNTERS[name] == "down" else plan.up_bps
        out = np.fmax(out, _share(points, table, plan_bps))
    return out


def _share(points: list[tuple[int, float]], table: WindowTable, plan_bps: int) -> NDArray[np.float64]:
    points.sort()
    at = np.array([p[0] for p in points], dtype=np.int64)
    value = np.array([p[1] for p in points])
    out = np.full(table.ticks, np.nan)
    gap_s = np.diff(at) * 1e-9
    grown = np.diff(value)
    with np.errstate(invalid="ignore", divide="ignore"):
        wrapped = (grown + WRAP) * 8 / gap_s
        fits = (grown < 0) & (value[:-1] < WRAP) & (wrapped <= 1.5 * plan_bps)
        rate = np.where(fits, wrapped, grown * 8 / gap_s)
    known = (gap_s > 0) & (gap_s <= LONGEST_GAP_S) & (rate >= 0)
    if not known.any():
        return out
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
    out[good] = sent[good] / counted_s[good] / plan_bps
    return out


def around(share: NDArray[np.float64]) -> NDArray[np.float64]:
    """The highest share of the tick and its neighbours, since queues outlast what filled them."""
    out = share.copy()
    out[1:] = np.fmax(out[1:], share[:-1])
    out[:-1] = np.fmax(out[:-1], share[1:])
    return out


def onset_factor(share: NDArray[np.float64]) -> NDArray[np.float64]:
    """How much likelier own traffic is to begin filling the queue, given the use of the line; 1 unknown."""
    grid, log_factor = [0.0, 0.3, 0.6, 0.8, 0.95], np.log([0.001, 0.01, 0.5, 10.0, 60.0])
    known = np.exp(np.interp(share, grid, log_factor))
    return np.where(np.isnan(share), 1.0, known)


def stay_log_ratio(share: NDArray[np.float64]) -> NDArray[np.float64]:
    """Per-tick log-ratio for own traffic being the cause, given the use of the line; 0 unknown."""
    grid, value = [0.0, 0.2, 0.4, 0.6, 0.8, 0.95], [-5.0, -4.0, -2.0, 0.0, 1.0, 1.5]
    return np.where(np.isnan(share), 0.0, np.interp(share, grid, value))
