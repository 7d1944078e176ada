"""Until when a standing fault held: the tick from which its sessions look as they would without it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.windows.table import WindowTable

Floats = NDArray[np.float64]
FREEDOM = 4.0
MOST_A_TICK = 6.0
"""No single tick may say more than this about whether the fault is over."""
MOST_A_SESSION = 2.0
OVER_AT = 20.0
"""Evidence that it is over, in log units: a quiet minute of one session is not enough, three minutes are."""
NOT_YET_AT = -8.0
"""Log units against it from the first tick on: less is chance, as where losses come in bursts."""
LEAST_TICKS = 6
"""A minute: a fault that pauses for less goes on."""
TEMPER = 0.5
"""Packets of a tick are not independent."""
PIECE = 2160
"""Ticks at a time: a month of a large home never lies in memory at once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """What a fault's sessions should see with it (`_on`) and without it (`_off`), all shape (sessions,).

    sessions: columns of the table. Level and tail in seconds with their errors by tick; shares of packets
    lost and slow.
    """

    sessions: tuple[int, ...]
    level_on_s: Floats
    level_off_s: Floats
    error_s: Floats
    tail_on_s: Floats
    tail_off_s: Floats
    tail_error_s: Floats
    lost_on: Floats
    lost_off: Floats
    slow_on: Floats
    slow_off: Floats


def held_until(table: WindowTable, speaks: NDArray[np.bool_], expected: Expected) -> int | None:
    """The tick from which the fault is over; None while it lasts.

    It is over once later ticks outweigh it, and over it was from where they begin to.
    """
    against, began, ticks = 0.0, 0, 0
    for start in range(0, table.ticks, PIECE):
        end = min(table.ticks, start + PIECE)
        ratio = _log_ratio(table.span(start, end), speaks[start:end], expected)
        for offset, value in enumerate(ratio.tolist()):
            if value == 0.0:
                continue  # nobody spoke
            if against <= 0.0:
                began, ticks, against = start + offset, 0, 0.0
            against = max(0.0, against - value)
            ticks += 1
            if against >= OVER_AT and ticks >= LEAST_TICKS:
                return began
    return None


def held_from_the_start(table: WindowTable, speaks: NDArray[np.bool_], expected: Expected) -> bool:
    """Whether the first ticks bear the fault out: what began a minute later is a change."""
    third = max(LEAST_TICKS, -(-table.ticks // 3))
    early = _log_ratio(table.span(0, third), speaks[:third], expected)
    return float(np.cumsum(early).min(initial=0.0)) > NOT_YET_AT


def _log_ratio(table: WindowTable, speaks: NDArray[np.bool_], expected: Expected) -> Floats:
    """Per tick the log-ratio for the fault's still being there."""
    columns = list(expected.sessions)
    heard = speaks[:, columns]
    q50 = table.q50_s[:, columns].astype(np.float64)
    # A tick slower than the fault's own level is no more of it: only what lies between the two tells.
    q50 = np.clip(q50, expected.level_off_s, expected.level_on_s)
    ratio = _student(q50, expected.level_on_s, expected.error_s) - _student(
        q50, expected.level_off_s, expected.error_s
    )
    sent = table.sent[:, columns].astype(np.float64)
    lost = table.lost[:, columns].astype(np.float64)
    slow = np.minimum(table.slow[:, columns], sent - lost)
    tail = np.clip(table.tail_s[:, columns].astype(np.float64), expected.tail_off_s, expected.tail_on_s)
    ratio += _student(tail, expected.tail_on_s, expected.tail_error_s) - _student(
        tail, expected.tail_off_s, expected.tail_error_s
    )
    ratio = np.nan_to_num(ratio)
    ratio += TEMPER * _binomial(sent, lost, expected.lost_on, expected.lost_off)
    ratio += TEMPER * _binomial(sent - lost, slow, expected.slow_on, expected.slow_off)
    ratio = np.where(heard, np.clip(ratio, -MOST_A_SESSION, MOST_A_SESSION), 0.0)
    return np.asarray(np.clip(ratio.sum(axis=1), -MOST_A_TICK, MOST_A_TICK))


def _student(value: Floats, location: Floats, error: Floats) -> Floats:
    return np.asarray(-0.5 * (FREEDOM + 1) * np.log1p((value - location) ** 2 / (FREEDOM * error**2)))


def _binomial(of: Floats, count: Floats, on: Floats, off: Floats) -> Floats:
    on, off = np.clip(on, 1e-4, 0.9999), np.clip(off, 1e-4, 0.9999)
    return np.asarray(count * np.log(on / off) + (of - count) * np.log((1 - on) / (1 - off)))
