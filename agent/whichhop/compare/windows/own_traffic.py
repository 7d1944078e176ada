"""How much of its line the home itself was using in each tick, from byte counters."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import NamedTuple

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from whichhop.compare.windows.around import highest_around
from whichhop.compare.windows.counted import fresh, rates_of
from whichhop.compare.windows.late_share import (
    LEAST_LATE,
    SLOW_S,
    beyond_use,
    felt_use,
    late_share,
    over_line,
)
from whichhop.compare.windows.table import WindowTable
from whichhop.model import Plan, Reading, Session

Floats = NDArray[np.float64]
Slow = NDArray[np.bool_]

SHARES = np.array([0.25, 0.3, 0.35, 0.42, 0.5, 0.6, 0.7, 0.85, 0.95, 1.05])
"""What a line may carry, as shares of the plan in the home file."""
BELIEF = np.array([0.3 / 7] * 7 + [0.1, 0.35, 0.25])
"""How likely each is before anything was seen: seven lines in ten carry about their plan, the others anything
down to a quarter, mostly since the file names another plan (common practice). It matters for the first minute
at most: then a line that was filled has shown its ceiling."""
NEAR = 0.06
"""Rates this near the top are the same ceiling: counters read by programs are late by some tenths of a second
in ten, and frames' headers vary."""
CEILING_TICKS = 6
"""A minute at the top in all before it is held to be a ceiling: short peaks have none."""
HIGH, IDLE = 0.6, 0.5
CEILING_SHARE = 0.5
"""Half of the ticks above HIGH of the top must lie at it: what a ceiling cuts off piles up there. Under IDLE
of it the line is not full."""
LEAST_CEILING = 0.2
"""Under this share of the plan a ceiling is some server's or some device's, and not the line's."""
LEAST_RATE_BPS = 500_000.0
"""No line that is sold carries less one way (the slowest DSL profiles); a murmur of the home is under it."""
SLOW_SHARE, IDLE_SHARE = 0.5, 0.25
"""Most ticks at a ceiling are slow and most of those far below it are not; a stream that somebody else's
server paces lies at one rate as well, and delays nothing."""
SURE = 0.95
"""How sure a ceiling makes of the capacity: another bottleneck may be met again and again as well."""
DOUBTFUL = 0.8
"""A ceiling under this share of the plan is told: a line that carries less than four fifths of what the file
says is another plan, or something that a provider should hear of."""


class Capacity(Struct, frozen=True, kw_only=True):
    """What one way of the line may carry: bits a second and how likely each is; the weights sum to 1.

    ceiling_bps: the rate that was met again and again and never passed; None while there is none.
    """

    rates_bps: Floats
    weights: Floats
    ceiling_bps: float | None

    @property
    def likely_bps(self) -> float:
        """What it carries as far as is known: its ceiling, else what the plan says or more was seen."""
        return self.ceiling_bps or float(self.rates_bps[-1])

    @property
    def low_bps(self) -> float:
        """What it carries at the least, but for one chance in twenty."""
        order = np.argsort(self.rates_bps)
        reached = np.cumsum(self.weights[order])
        return float(self.rates_bps[order][int(np.searchsorted(reached, 0.05))])


def capacity_of(rates_bps: Floats, plan_bps: int | None, slow: Slow | None = None) -> Capacity | None:
    """What counted rates, one a tick with NaN where not known, tell of the line; None where nothing does.

    slow: the ticks in which what crosses the line was late. Without them there is no ceiling, and without a
    plan only a ceiling tells.
    """
    known = np.isfinite(rates_bps)
    top = _top(rates_bps[known])
    ceiling = None if slow is None else _ceiling(rates_bps[known], slow[known], top, plan_bps)
    if plan_bps is None:
        if ceiling is None:
            return None
        return Capacity(rates_bps=np.array([ceiling]), weights=np.ones(1), ceiling_bps=ceiling)
    rates = np.append(SHARES * plan_bps, ceiling or max(top, float(plan_bps)))
    # It carries at least what it carried; where that is more than any belief, it is what is known.
    weights = np.append(np.where(SHARES * plan_bps >= top, BELIEF, 0.0), 1e-9)
    weights /= weights.sum()
    if ceiling is not None:
        weights *= 1.0 - SURE
        weights[-1] += SURE
    return Capacity(rates_bps=rates, weights=weights, ceiling_bps=ceiling)


def _top(known: Floats) -> float:
    """The highest rate that was seen in two ticks: one alone may be a reading that came late."""
    return float(np.partition(known, -2)[-2]) if known.size >= 2 else 0.0


def _ceiling(known: Floats, slow: Slow, top: float, plan_bps: int | None) -> float | None:
    if top < LEAST_RATE_BPS or (plan_bps is not None and top < LEAST_CEILING * plan_bps):
        return None
    at_top, high, idle = known >= (1.0 - NEAR) * top, known >= HIGH * top, known < IDLE * top
    many = np.count_nonzero(at_top) >= max(CEILING_TICKS, CEILING_SHARE * np.count_nonzero(high))
    full = np.count_nonzero(slow & at_top) >= SLOW_SHARE * np.count_nonzero(at_top)
    fast = np.count_nonzero(slow & idle) <= IDLE_SHARE * np.count_nonzero(idle) and idle.any()
    return top if many and full and fast else None


def doubt_words(way: str, capacity: Capacity | None, plan_bps: int | None) -> str:
    """That the plan in the home file and the line do not agree; empty when they may."""
    if capacity is None or plan_bps is None or capacity.ceiling_bps is None:
        return ""
    if capacity.ceiling_bps >= DOUBTFUL * plan_bps:
        return ""
    return (
        f"check the plan in the home file: it says {plan_bps / 1e6:.3g} Mbit/s {way}, "
        f"the line was filled again and again at {capacity.ceiling_bps / 1e6:.3g} Mbit/s"
    )


COUNTERS = {"wan_rx_bytes": "down", "wan_tx_bytes": "up"}
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


class LineUse(Struct, frozen=True, kw_only=True):
    """Per tick, NaN where not known.

    share: the higher of down and up, against what the line most likely carries. most: what it may have been
    at the most, but for one chance in twenty. both: down and up together, where both are
    counted. late: how many of the packets over
    the line were late. factor: on own traffic's onset, 1 where not known. stay:
    log-ratio of its being the cause, 0 where not known. doubts: what to tell of a plan that the counters
    disagree with."""

    share: NDArray[np.float64]
    most: NDArray[np.float64]
    both: NDArray[np.float64]
    late: NDArray[np.float64]
    factor: NDArray[np.float64]
    stay: NDArray[np.float64]
    doubts: tuple[str, ...]
    step_s: float
    """Seconds a tick."""

    @property
    def usual(self) -> float:
        """The median of `most`; NaN where nothing is known."""
        return float(np.nanmedian(self.most)) if np.isfinite(self.most).any() else float("nan")

    def burdened(self, first: int, end: int) -> bool:
        """Whether in these ticks more packets were late than the use of the line explains."""
        return beyond_use(self.both[first:end], self.late[first:end], self.step_s)


class _Way(NamedTuple):
    """Of down or up: bits a second in each tick, ticks between two readings around it, what the line carries,
    what that says of the plan, and whether there is a counter of it at all."""

    rate: Floats
    spread: Floats
    capacity: Capacity
    doubt: str
    counted: bool


def usage(
    readings: Iterable[Reading], table: WindowTable, plan: Plan | None, sessions: Sequence[Session] = ()
) -> NDArray[np.float64]:
    """Per tick the higher of the down and up rates against what the line carries; NaN where not known."""
    share = np.full(table.ticks, np.nan)
    ways = list(_ways(readings, table, plan, sessions))
    for way in ways:
        share = np.fmax(share, way.rate / way.capacity.likely_bps)
    return np.where(_untold(ways, table.ticks), np.nan, share)


def line_use(
    readings: Iterable[Reading], table: WindowTable, plan: Plan | None, sessions: Sequence[Session] = ()
) -> LineUse:
    """What the counters tell of each tick; sessions: the table's, by whose delay a full line is known.

    A counter that goes back is a 32-bit wrap when that gives a rate the plan allows, else a reset: unknown.
    """
    nothing = np.full(table.ticks, np.nan)
    share, most = nothing, nothing
    factor, stay = nothing, nothing
    doubts = []
    step_s = table.step_ns * 1e-9
    ways = list(_ways(readings, table, plan, sessions))
    late = late_share(table, sessions) if ways else nothing
    parts = [np.minimum(rate / capacity.likely_bps, 1.0) for rate, _, capacity, _, _ in ways]
    for i, (rate, spread, capacity, doubt, _) in enumerate(ways):
        share = np.fmax(share, rate / capacity.likely_bps)
        most = np.fmax(most, np.minimum(rate * spread, np.fmax(rate, capacity.low_bps)) / capacity.low_bps)
        # What waits for the other way is not this one's to explain.
        rest = late - sum(np.nan_to_num(part) for j, part in enumerate(parts) if j != i)
        factor = np.fmax(factor, expected(_felt_onset(rest, step_s), highest_around(rate), spread, capacity))
        stay = np.fmax(stay, expected(_felt_stay(rest, step_s), highest_around(rate), spread, capacity))
        doubts.append(doubt)
    untold = _untold(ways, table.ticks)
    share, most, factor, stay = (np.where(untold, np.nan, a) for a in (share, most, factor, stay))
    return LineUse(
        share=share,
        most=most,
        both=sum(parts, np.zeros(table.ticks)) if len(ways) == len(COUNTERS) else nothing,
        late=late,
        factor=np.where(np.isnan(factor), 1.0, factor),
        stay=np.where(np.isnan(stay), 0.0, np.log(stay)),
        doubts=tuple(d for d in doubts if d),
        step_s=step_s,
    )


def _untold(ways: Sequence[_Way], ticks: int) -> NDArray[np.bool_]:
    """The ticks in which one way's counter tells nothing: that the other way is idle is then no idle line."""
    told = [np.isfinite(way.rate) for way in ways if way.counted]
    return ~np.all(told, axis=0) if told else np.zeros(ticks, dtype=bool)


def _ways(
    readings: Iterable[Reading], table: WindowTable, plan: Plan | None, sessions: Sequence[Session]
) -> Iterator[_Way]:
    """Down and up, where what the line carries is known."""
    series: dict[tuple[str, str], list[tuple[int, float]]] = {}
    for r in readings:
        if r.name in COUNTERS:
            series.setdefault((r.agent, r.name), []).append((r.at_ns, r.value))
    slow = _slow(table, sessions) if series else None
    over = over_line(sessions)
    asked = np.cumsum(table.sent[:, over].sum(axis=1, dtype=np.int64))
    for name, way in COUNTERS.items():
        plan_bps = None if plan is None else plan.down_bps if way == "down" else plan.up_bps
        rate, gap_s = np.full(table.ticks, np.nan), np.zeros(table.ticks)
        for (_, counter), points in series.items():
            if counter == name:
                one, its_gap = rates_of(fresh(points, table, asked), table, plan_bps)
                rate, gap_s = np.fmax(rate, one), np.fmax(gap_s, its_gap)
        capacity = capacity_of(rate, plan_bps, slow)
        if capacity is not None:
            spread = np.maximum(gap_s / (table.step_ns * 1e-9), 1.0)
            counted = any(counter == name for _, counter in series)
            yield _Way(rate, spread, capacity, doubt_words(way, capacity, plan_bps), counted)


def _slow(table: WindowTable, sessions: Sequence[Session]) -> NDArray[np.bool_] | None:
    """The ticks in which half of the sessions over the line were late; None where none crosses it."""
    over = over_line(sessions)
    if not over or not table.ticks:
        return None
    late, heard = np.zeros(table.ticks, dtype=np.int32), np.zeros(table.ticks, dtype=np.int32)
    for column in over:  # one by one: a month of them all is as much again as the windows
        q50 = table.q50_s[:, column]
        there = np.isfinite(q50)
        answers = q50[there]
        if answers.size:
            place = int(0.1 * (answers.size - 1))
            late += q50 - np.partition(answers, place)[place] > SLOW_S
            heard += there
    return np.asarray((late > 0) & (2 * late >= heard))


def expected(
    of: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    rate: NDArray[np.float64],
    spread: NDArray[np.float64],
    capacity: Capacity,
) -> NDArray[np.float64]:
    """The mean of a function of the share used, over what the line may carry and, where readings are `spread`
    ticks apart, over how the traffic lay between them; NaN where the rate is."""
    out, seldom = np.zeros_like(rate), spread > LUMPED
    some_seldom = bool(seldom.any())
    if some_seldom:
        none, whole = of(np.zeros_like(rate)), of(np.ones_like(rate))
    for carries, weight in zip(capacity.rates_bps, capacity.weights, strict=True):
        if weight < LEAST_WEIGHT:
            continue
        mean = rate / carries
        even = of(mean)
        if some_seldom:
            full = np.minimum(mean, 1.0)
            lumped = full * np.where(mean > 1.0, even, whole) + (1.0 - full) * none
            even = np.where(seldom, STEADY * even + (1.0 - STEADY) * lumped, even)
        out += weight * even
    return np.where(np.isnan(rate), np.nan, out)


def onset_factor(share: NDArray[np.float64]) -> NDArray[np.float64]:
    """How much likelier own traffic is to begin filling the queue, given the use of the line; 1 unknown."""
    grid, log_factor = [0.0, 0.3, 0.6, 0.8, 0.95], np.log([0.001, 0.01, 0.5, 10.0, 60.0])
    known = np.exp(np.interp(share, grid, log_factor))
    return np.where(np.isnan(share), 1.0, known)


def _felt_onset(late: Floats, step_s: float) -> Callable[[Floats], Floats]:
    """`onset_factor` where a share of the packets is late; where none is nothing is to be explained."""
    return lambda share: onset_factor(np.where(late >= LEAST_LATE, felt_use(share, late, step_s), share))


def _felt_stay(late: Floats, step_s: float) -> Callable[[Floats], Floats]:
    return lambda share: np.exp(stay_log_ratio(felt_use(share, late, step_s)))


def stay_log_ratio(share: NDArray[np.float64]) -> NDArray[np.float64]:
    """Per-tick log-ratio for own traffic being the cause, given the use of the line; 0 unknown."""
    grid, value = [0.0, 0.2, 0.4, 0.6, 0.8, 0.95], [-5.0, -4.0, -2.0, 0.0, 1.0, 1.5]
    return np.where(np.isnan(share), 0.0, np.interp(share, grid, value))
