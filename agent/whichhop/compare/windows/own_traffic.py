"""How much of its line the home itself was using in each tick, from byte counters."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.windows.line_capacity import SLOW_S, Capacity, capacity_of, doubt_words
from whichhop.compare.windows.table import WindowTable
from whichhop.model import LinkKind, Plan, Reading, Session
from whichhop.model.units import NS_PER_S

COUNTERS = {"wan_rx_bytes": "down", "wan_tx_bytes": "up"}
WRAP = 2**32
LONGEST_GAP_S = 120.0
"""Readings further apart than this say nothing of a tick between them."""

SHORT_NS = NS_PER_S
"""A tick whose last reading came at most so long before its end is known: not so much happens in the rest."""
STEADY = 0.5
"""Chance that traffic kept on evenly between two readings that are further apart than a tick; else it came in
one piece, and filled the line for its share of the time (one as likely as the other, for want of better)."""

LUMPED = 1.5
"""From readings so many ticks apart on, how the traffic lay between them is not known."""
LEAST_WEIGHT = 1e-4
"""Less likely capacities than this change nothing that anybody would see."""


def is_known(share: NDArray[np.float64]) -> bool:
    """Whether counters tell the home's own traffic in a stretch of ticks: in at least half of them.

    The one definition: it decides in a stretch whether own traffic and the line can be told apart, and over
    an episode whether the provider may be held to it. Half, so that a missed reading unmakes nothing, while
    an episode that was mostly not counted is not called counted.
    """
    return bool(share.size) and 2 * int(np.isfinite(share).sum()) >= share.size


@dataclass(frozen=True, slots=True, kw_only=True)
class LineUse:
    """Per tick, NaN where not known.

    share: the higher of down and up, against what the line most likely carries. most: what it may have been
    at the most, but for one chance in twenty. factor: on own traffic's onset, 1 where not known. stay:
    log-ratio of its being the cause, 0 where not known. doubts: what to tell of a plan that the counters
    disagree with."""

    share: NDArray[np.float64]
    most: NDArray[np.float64]
    factor: NDArray[np.float64]
    stay: NDArray[np.float64]
    doubts: tuple[str, ...]


def usage(
    readings: Iterable[Reading], table: WindowTable, plan: Plan | None, sessions: Sequence[Session] = ()
) -> NDArray[np.float64]:
    """Per tick the higher of the down and up rates against what the line carries; NaN where not known."""
    return line_use(readings, table, plan, sessions).share


def line_use(
    readings: Iterable[Reading], table: WindowTable, plan: Plan | None, sessions: Sequence[Session] = ()
) -> LineUse:
    """What the counters tell of each tick; sessions: the table's, by whose delay a full line is known.

    A counter that goes back is a 32-bit wrap when that gives a rate the plan allows, else a reset: unknown.
    """
    series: dict[tuple[str, str], list[tuple[int, float]]] = {}
    for r in readings:
        if r.name in COUNTERS:
            series.setdefault((r.agent, r.name), []).append((r.at_ns, r.value))
    nothing = np.full(table.ticks, np.nan)
    share, most = nothing, nothing
    factor, stay = nothing, nothing
    doubts = []
    slow = _slow(table, sessions)
    for name, way in COUNTERS.items():
        plan_bps = None if plan is None else plan.down_bps if way == "down" else plan.up_bps
        rate, gap_s = nothing, np.zeros(table.ticks)
        for (_, counter), points in series.items():
            if counter == name:
                one, its_gap = _rates(points, table, plan_bps)
                rate, gap_s = np.fmax(rate, one), np.fmax(gap_s, its_gap)
        capacity = capacity_of(rate, plan_bps, slow)
        if capacity is None:
            continue
        spread = np.maximum(gap_s / (table.step_ns * 1e-9), 1.0)
        share = np.fmax(share, rate / capacity.likely_bps)
        most = np.fmax(most, np.minimum(rate * spread, np.fmax(rate, capacity.low_bps)) / capacity.low_bps)
        factor = np.fmax(factor, expected(onset_factor, around(rate), spread, capacity))
        stay = np.fmax(stay, expected(_stay_ratio, around(rate), spread, capacity))
        doubts.append(doubt_words(way, capacity, plan_bps))
    return LineUse(
        share=share,
        most=most,
        factor=np.where(np.isnan(factor), 1.0, factor),
        stay=np.where(np.isnan(stay), 0.0, np.log(stay)),
        doubts=tuple(d for d in doubts if d),
    )


def _slow(table: WindowTable, sessions: Sequence[Session]) -> NDArray[np.bool_] | None:
    """The ticks in which half of the sessions over the line were late; None where none crosses it."""
    over = [i for i, s in enumerate(sessions) if any(k.kind is LinkKind.ACCESS for k in s.path.links)]
    if not over or not table.ticks:
        return None
    q50 = table.q50_s[:, over]
    ordered = np.sort(q50, axis=0)  # NaN last
    count = np.isfinite(ordered).sum(axis=0)
    usual = ordered[(0.1 * np.maximum(count - 1, 0)).astype(np.int64), np.arange(len(over))]
    late = np.count_nonzero(q50 - usual > SLOW_S, axis=1)
    return np.asarray((late > 0) & (2 * late >= np.count_nonzero(np.isfinite(q50), axis=1)))


def expected(
    of: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    rate: NDArray[np.float64],
    spread: NDArray[np.float64],
    capacity: Capacity,
) -> NDArray[np.float64]:
    """The mean of a function of the share used, over what the line may carry and, where readings are `spread`
    ticks apart, over how the traffic lay between them; NaN where the rate is."""
    out = np.zeros_like(rate)
    for carries, weight in zip(capacity.rates_bps, capacity.weights, strict=True):
        if weight < LEAST_WEIGHT:
            continue
        mean = rate / carries
        even = of(mean)
        full = np.minimum(mean, 1.0)
        lumped = full * of(np.maximum(mean, 1.0)) + (1.0 - full) * of(np.zeros_like(mean))
        out += weight * np.where(spread > LUMPED, STEADY * even + (1.0 - STEADY) * lumped, even)
    return np.where(np.isnan(rate), np.nan, out)


def _rates(
    points: list[tuple[int, float]], table: WindowTable, plan_bps: int | None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Bits a second in each tick, NaN where not known; and how far the readings around it are apart,
    seconds."""
    points.sort()
    at = np.array([p[0] for p in points], dtype=np.int64)
    value = np.array([p[1] for p in points])
    out = np.full(table.ticks, np.nan)
    gap_s = np.diff(at) * 1e-9
    grown = np.diff(value)
    with np.errstate(invalid="ignore", divide="ignore"):
        wrapped = (grown + WRAP) * 8 / gap_s
        fits = (grown < 0) & (value[:-1] < WRAP) & (wrapped <= 1.5 * (plan_bps or np.inf))
        rate = np.where(fits, wrapped, grown * 8 / gap_s)
    known = (gap_s > 0) & (gap_s <= LONGEST_GAP_S) & (rate >= 0)
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


def _stay_ratio(share: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.exp(stay_log_ratio(share))


def stay_log_ratio(share: NDArray[np.float64]) -> NDArray[np.float64]:
    """Per-tick log-ratio for own traffic being the cause, given the use of the line; 0 unknown."""
    grid, value = [0.0, 0.2, 0.4, 0.6, 0.8, 0.95], [-5.0, -4.0, -2.0, 0.0, 1.0, 1.5]
    return np.where(np.isnan(share), 0.0, np.interp(share, grid, value))
