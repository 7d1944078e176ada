"""How many of the packets over the line were late: the home's own queue makes only so many wait."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.windows.around import summed_around
from whichhop.compare.windows.table import WindowTable
from whichhop.model import LinkKind, Session

Floats = NDArray[np.float64]

SLOW_S = 0.005
"""A line that is full delays: the same least delay as a fault of the line has."""
AROUND = 3
"""Ticks over which lateness and use are averaged: a queue outlasts what filled it, and a stream comes in
pieces."""
ERRORS = 2.0
"""One chance in forty that so many more are late by chance."""
FEW = 5
"""Of fewer answers the 80 % quantile is the slowest, and that may be one lookup asked again."""
LEAST_LATE = 0.1
"""Of ten packets one: fewer are not told from none. So an idle line's lateness is never its use's."""
MEDIAN_PLACE, UPPER_PLACE = 0.1, 0.25
"""What is usual of a session's two quantiles: the upper one of a radio moves by some ms in health."""
ALL_LATE = 0.5
"""From here on the median is late, and how many more are is not known."""
EXPLAINED = 0.6
"""Such a use explains as well as not that the median is late; see `own_traffic.stay_log_ratio`."""


def over_line(sessions: Sequence[Session]) -> list[int]:
    """The places of the sessions that cross the access line."""
    return [i for i, s in enumerate(sessions) if any(k.kind is LinkKind.ACCESS for k in s.path.links)]


def late_share(table: WindowTable, sessions: Sequence[Session]) -> Floats:
    """Per tick the share of late packets over the line, averaged over AROUND; NaN where none answered.

    sessions: the table's. What the line adds all agents meet: it is the share of the one that fares best,
    read from counts and quantiles, ALL_LATE at the most. Where more are lost than late all count as late: a
    full buffer delays what it does not drop.
    """
    agents = list(dict.fromkeys(s.key.agent for s in sessions))
    shape = table.ticks, len(agents)
    late, lost, heard = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    for column in over_line(sessions):  # one by one: a month of them all is as much again as the windows
        agent = agents.index(sessions[column].key.agent)
        sent = table.sent[:, column].astype(np.float64)
        answered = sent - table.lost[:, column]
        there = np.isfinite(table.q50_s[:, column]) & (answered >= FEW)
        if not there.any():
            continue
        middle = _above(table.q50_s[:, column], there, MEDIAN_PLACE) > SLOW_S
        upper = _above(table.q80_s[:, column], there, UPPER_PLACE) > SLOW_S
        some = np.maximum(np.where(upper, 0.2, 0.0), table.slow[:, column] / np.maximum(answered, 1.0))
        late[there, agent] += np.where(middle, ALL_LATE, np.minimum(some, ALL_LATE))[there]
        lost[there, agent] += (table.lost[:, column] / np.maximum(sent, 1.0))[there]
        heard[there, agent] += 1.0
    late, lost, heard = (summed_around(a, AROUND) for a in (late, lost, heard))
    each = np.where(lost > late, ALL_LATE, late / np.maximum(heard, 1.0))
    best = np.where(heard > 0, each, np.inf).min(axis=1, initial=np.inf)
    return np.where(np.isinf(best), np.nan, best)


def felt_use(share: Floats, late: Floats, step_s: float) -> Floats:
    """The use that would explain as well that the median is late; never less than the use.

    A queue makes no more of the packets wait than the share of time it is busy (utilization law and arrivals
    at random, textbook), so that a tenth of the line may make a tenth of them late. late: NaN counts as all;
    what chance may add is taken off. step_s: seconds a tick. Beyond EXPLAINED only the use itself speaks.
    """
    asked = np.nan_to_num(late, nan=ALL_LATE) - error_of(share, AROUND * step_s)
    asked = np.clip(asked, LEAST_LATE, ALL_LATE)
    return np.maximum(share, np.minimum(EXPLAINED, share * ALL_LATE / asked))


def error_of(share: Floats, seconds: float) -> Floats:
    """The standard error of the share of packets that meet a line busy for `share` of the time (binomial).

    Who sends in a busy second is late with all others that do: so seconds count, and not packets.
    """
    part = np.clip(share, 0.0, 1.0)
    return np.asarray(np.sqrt(part * (1.0 - part) / seconds))


def beyond_use(share: Floats, late: Floats, step_s: float) -> bool:
    """Whether over a stretch of ticks of so many seconds more packets were late than the use explains."""
    known = np.isfinite(share) & np.isfinite(late)
    if not known.any():
        return False
    use, found = share[known].mean(), late[known].mean()
    seconds = step_s * int(np.count_nonzero(known))
    return bool(found > max(use, LEAST_LATE) + ERRORS * float(error_of(use, seconds)))


def _above(values: NDArray[np.float32], there: NDArray[np.bool_], place: float) -> Floats:
    """How far each is above what that share of them stays under."""
    answers = values[there]
    at = int(place * (answers.size - 1))
    return np.asarray(values - np.partition(answers, at)[at], dtype=np.float64)
