"""What each session saw over a stretch of time, as four figures: level, tail, loss and late share."""

from collections.abc import Sequence

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from whichhop.compare.windows.around import runs_of
from whichhop.compare.windows.own_traffic import is_known
from whichhop.compare.windows.reporting import Reporting
from whichhop.compare.windows.table import SLOW_S, TAIL_CAP_S, WindowTable

Floats = NDArray[np.float64]
OWN_USE = 0.35
"""Above this share of the line's capacity a tick and its neighbours say nothing of the line at rest."""
UNCOUNTED = 12
"""Two minutes, the longest that two readings of a counter may lie apart; see `windows.counted`."""
DROPPED = 0.2
"""The worst fifth of the time is left out of the late share: one train of scans is no standing fault."""
TRAIN_S = 30.0
"""In pieces of this length: a train lasts longer, and of single ticks the worst fifth would be half of what a
radio that is always bad makes late, as its late answers come one or two in a tick and then none."""
LEAST_TICKS = 4
LEAST_SENT = 10 * LEAST_TICKS
LEVEL_AT = 0.3
"""A level is this quantile of the ticks' medians, not their middle: what comes and goes for half of the time
(a radio that dozes, a neighbour's evening) is no level, while a standing fault is in every tick."""
LOW_AT, LOW_TO_SIGMA = 0.05, 1.12
"""The spread from the ticks below it: of a normal distribution the two quantiles are 1.12 sigma apart."""
FLOOR_S = 0.00015
FLOOR_SHARE = 0.03
"""A median is believed no better than this: stamping, and medians of sums that are no sums of medians."""


class Period(Struct, frozen=True, kw_only=True):
    """Some time of a home: its windows, where they are evidence (ticks, sessions), how much of the line's
    capacity the home used itself (ticks,), NaN where not known, and the agents whose own lateness is watched;
    late_s: (ticks, agents), how late each ran, where that is known.
    """

    table: WindowTable
    speaks: NDArray[np.bool_]
    use: Floats
    watched: frozenset[str] = frozenset()
    agents: tuple[str, ...] = ()
    late_s: NDArray[np.float32] | None = None

    @classmethod
    def of(cls, table: WindowTable, reporting: Reporting, use: Floats) -> "Period":
        """A whole history."""
        return cls(
            table=table,
            speaks=reporting.speaks,
            use=use,
            watched=reporting.watched,
            agents=reporting.agents,
            late_s=reporting.late_s,
        )

    @property
    def use_known(self) -> bool:
        """Whether counters tell the home's own traffic for most of the time."""
        return is_known(self.use)

    def until(self, end: int) -> "Period":
        """The ticks before `end`."""
        return replace(
            self,
            table=self.table.span(0, end),
            speaks=self.speaks[:end],
            use=self.use[:end],
            late_s=None if self.late_s is None else self.late_s[:end],
        )


class SeenAtRest(Struct, frozen=True, kw_only=True):
    """Per session, shape (sessions,); NaN or 0 of 0 where a session was not heard enough.

    level_s, tail_s with their standard errors, spread_s from tick to tick, in seconds; sent and lost;
    answered (of the ticks kept) and of them late. ticks: how many ticks had a median, spoken: how many had
    packets.
    """

    level_s: Floats
    level_error_s: Floats
    spread_s: Floats
    tail_s: Floats
    tail_error_s: Floats
    sent: Floats
    lost: Floats
    answered: Floats
    late: Floats
    ticks: NDArray[np.int64]
    spoken: NDArray[np.int64]

    @property
    def heard(self) -> NDArray[np.bool_]:
        """Sessions of which enough is known: a level, or what is lost where too little comes back for one.

        Who gets no answer at all may ask what answers nobody; see `outage`.
        """
        return (self.ticks >= LEAST_TICKS) | ((self.sent >= LEAST_SENT) & (self.lost < self.sent))

    def without(self, sessions: Sequence[int]) -> "SeenAtRest":
        """The same with nothing seen of these sessions."""
        gone = np.isin(np.arange(len(self.ticks)), sessions)
        unknown = {
            name: np.where(gone, np.nan, getattr(self, name))
            for name in ("level_s", "level_error_s", "spread_s", "tail_s", "tail_error_s")
        }
        none = {
            name: np.where(gone, 0.0, getattr(self, name)) for name in ("sent", "lost", "answered", "late")
        }
        return replace(self, **unknown, **none)


def at_rest(use: Floats) -> NDArray[np.bool_]:
    """Ticks in which the home left its line alone, as far as is known; neighbours of busy ones are not, nor
    what nobody counted right before or after: a use does not begin with the first count of it."""
    busy = np.nan_to_num(use) > OWN_USE
    for first, end in runs_of(np.isnan(use)) if busy.any() else ():
        if first and busy[first - 1]:
            busy[first : min(end, first + UNCOUNTED)] = True
        if end < busy.size and busy[end]:
            busy[max(first, end - UNCOUNTED) : end] = True
    wide = busy.copy()
    wide[1:] |= busy[:-1]
    wide[:-1] |= busy[1:]
    return ~wide


def seen_in(period: Period) -> SeenAtRest:
    """The figures of a stretch's ticks at rest."""
    table = period.table
    rest = period.speaks & at_rest(period.use)[:, None]
    q50 = np.where(rest, table.q50_s, np.nan).astype(np.float64)
    ticks = np.isfinite(q50).sum(axis=0)
    sent = np.where(rest, table.sent, 0).sum(axis=0, dtype=np.float64)
    lost = np.where(rest, table.lost, 0).sum(axis=0, dtype=np.float64)
    low, level = _quantiles(q50, (LOW_AT, LEVEL_AT))
    spread = (level - low) / LOW_TO_SIGMA
    tail, tail_error = _tail(table, q50, level)
    error = np.sqrt(
        FLOOR_S**2
        + (FLOOR_SHARE * level) ** 2
        + 1.74 * spread**2 / np.maximum(ticks, 1)  # such a quantile's variance against a mean's
        + (0.25 * _tail_at(table, q50, level)) ** 2  # it moves the median of a sum by a part of itself
    )
    answered, late = _late(table, rest, q50, level)
    return SeenAtRest(
        level_s=level,
        level_error_s=error,
        spread_s=spread,
        tail_s=tail,
        tail_error_s=tail_error,
        sent=sent,
        lost=lost,
        answered=answered,
        late=late,
        ticks=ticks,
        spoken=(rest & (table.sent > 0)).sum(axis=0),
    )


def _quantiles(values: Floats, shares: Sequence[float]) -> list[Floats]:
    """Of each column without what is not a number, linear between values; NaN where there is none."""
    ordered = np.sort(values, axis=0)
    last = np.maximum(np.isfinite(ordered).sum(axis=0) - 1, 0)
    columns = np.arange(values.shape[1])
    out = []
    for share in shares:
        place = share * last
        low = place.astype(np.intp)
        below, above = ordered[low, columns], ordered[np.minimum(low + 1, last), columns]
        out.append(below + (place - low) * (above - below))
    return out


def _tail(table: WindowTable, q50: Floats, level: Floats) -> tuple[Floats, Floats]:
    """Mean excess over the level: each tick's own tail, and by how much its median lies above the level.

    The worst fifth of the ticks is brought down to the next worst, so that one burst is not all of it.
    """

    each = np.where(np.isfinite(q50), table.tail_s, np.nan) + np.maximum(q50 - level, 0.0)
    each = np.minimum(each, TAIL_CAP_S)
    count = np.isfinite(each).sum(axis=0)
    worst = np.maximum(np.ceil((1 - DROPPED) * count).astype(np.intp) - 1, 0)
    kept = np.minimum(each, np.sort(each, axis=0)[worst, np.arange(each.shape[1])])
    with np.errstate(invalid="ignore"):
        mean = np.nansum(kept, axis=0) / count
        strays = np.sqrt(np.nansum((kept - mean) ** 2, axis=0) / count) / np.sqrt(count)
    return mean, np.hypot(strays, 0.00005 + 0.2 * mean)


def _tail_at(table: WindowTable, q50: Floats, level: Floats) -> Floats:
    """Mean excess inside the ticks that the level is read from, those at it or below.

    What comes and goes, as a radio's sleep, is a tail of the ticks that it is in and moves no other's median.
    NaN where tails are not known: how sure such a level is nobody can say.
    """
    at = np.isfinite(q50) & (q50 <= level)
    tail = np.where(at, table.tail_s, 0.0).sum(axis=0, dtype=np.float64)
    return np.asarray(tail / np.maximum(at.sum(axis=0), 1))


def _late(table: WindowTable, rest: NDArray[np.bool_], q50: Floats, level: Floats) -> tuple[Floats, Floats]:
    """Answers, and those of them 25 ms and more above the level, the worst ticks left out."""

    answered = np.where(rest, table.sent.astype(np.float64) - table.lost, 0.0)
    late = np.where(rest, table.slow, 0).astype(np.float64)
    # A tick counts what is late against its own median; where that is up itself, half of it or more is late.
    late = np.where(q50 - level > SLOW_S, np.maximum(late, 0.5 * answered), late)
    late = np.minimum(late, answered)
    each = max(1, round(TRAIN_S / (table.step_ns * 1e-9)))
    first = np.arange(0, table.ticks, each)
    answered, late = (np.add.reduceat(counts, first, axis=0) for counts in (answered, late))
    share = np.where(answered > 0, late / np.maximum(answered, 1.0), -1.0)
    spoken = (answered > 0).sum(axis=0)
    rank = np.argsort(np.argsort(-share, axis=0, kind="stable"), axis=0)
    kept = rank >= np.floor(DROPPED * spoken)
    return np.where(kept, answered, 0.0).sum(axis=0), np.where(kept, late, 0.0).sum(axis=0)
