"""The best level that a session held: what is usual for it is that, and not the average of its past."""

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.inference.baseline import MAD_TO_SIGMA, Baseline, Floats

HELD_S = 300.0
"""A level counts once it lasted five minutes: twice the longest lull that contention leaves between bursts,
and short enough that a fault that heals is forgotten before the next one comes."""
AN_HOUR_S = 3600.0
HELD_SHARE = 0.1
"""From an hour of levels on the best is their 10th percentile: on measured radios the plain minimum is a rare
lull, and every usual hour then looks slow (14 false episodes against 6 in 32 hours)."""
STEP_S = 0.003
"""A level this far from another is another state; nearer ones are one state's drift. The same as what a
session must add before it shows an excess at all (see the guards)."""
STEP_SIGMAS = 3.0
"""The same in deviations of the ticks around their own level, for sessions that vary more than that."""
LEAST_LEVELS = 2
HELD_PARTS, LEAST_PART = 3, 5
"""A level is held when each third of the stretch is at it, or three good minutes of five would do; a third of
under five ticks has no median to speak of, and the stretch is taken whole."""
LOSS_SIGMAS = 4.0
"""A stretch lost more than the best ones did when its count is this many Poisson deviations above theirs."""

Mask = NDArray[np.bool_]


def margin(scale: Floats) -> Floats:
    """How far below its location a session must be before that is another level, seconds."""
    return np.asarray(np.maximum(STEP_S, STEP_SIGMAS * scale), dtype=np.float32)


def best(levels: NDArray[np.floating], step_s: float) -> NDArray[np.floating]:
    """The best of the levels held, (levels, sessions), each step_s long.

    The lowest of the first hour, then the 10th percentile; NaN where there is none.
    """
    count = np.isfinite(levels).sum(axis=0)
    ordered = np.sort(levels, axis=0)
    place = np.where(count * step_s >= AN_HOUR_S, (HELD_SHARE * count).astype(np.int64), 0)
    return np.asarray(ordered[np.minimum(place, max(0, len(levels) - 1)), np.arange(levels.shape[1])])


def at_best(
    q50: Floats, sent: NDArray[np.floating], lost: NDArray[np.floating], each: int, step_s: float
) -> Mask:
    """Which ticks, (ticks, sessions), belong to a stretch in which the session held its best level.

    q50: NaN where silent. sent, lost: packets that spoke. each: ticks a stretch; the last one ends with the
    last tick. step_s: seconds a stretch lasts. All True while there are not LEAST_LEVELS stretches.
    """
    ticks, sessions = q50.shape
    out = np.ones((ticks, sessions), dtype=bool)
    count = ticks // each
    if count < LEAST_LEVELS:
        return out
    tail = slice(ticks - count * each, ticks)
    parts = q50[tail].reshape(count, each, sessions)
    levels = _levels(parts)
    lowest = best(levels, step_s)
    spread = MAD_TO_SIGMA * _medians(np.abs(parts - levels[:, None, :]).reshape(1, -1, sessions))[0]
    limit = lowest + margin(spread)
    with np.errstate(invalid="ignore"):
        high = levels > limit
        above = parts > limit
        out[: tail.start] = ~(q50[: tail.start] > limit)
    n = sent[tail].reshape(count, each, sessions).sum(axis=1)
    k = lost[tail].reshape(count, each, sessions).sum(axis=1)
    ratio = best(np.where(n > 0, (k + 0.5) / (n + 1.0), np.nan), step_s)
    usual = n * np.nan_to_num(ratio)
    high |= k > usual + LOSS_SIGMAS * np.sqrt(usual + 1.0)
    # A stretch beside a worse one may hold some of it: a step does not fall on a stretch's edge.
    beside = np.zeros_like(high)
    beside[1:] |= high[:-1]
    beside[:-1] |= high[1:]
    kept = ~high[:, None, :] & ~(beside[:, None, :] & above)
    out[tail] = kept.reshape(count * each, sessions)
    return out


def _levels(parts: NDArray[np.floating]) -> NDArray[np.floating]:
    """The level that each stretch held, (stretches, sessions): the worst of its parts' medians."""
    count, each, sessions = parts.shape
    pieces = max(1, min(HELD_PARTS, each // LEAST_PART))
    whole = parts[:, each % pieces :].reshape(count * pieces, each // pieces, sessions)
    middle = _medians(whole).reshape(count, pieces, sessions)
    return np.asarray(middle.max(axis=1))


def _medians(parts: NDArray[np.floating]) -> NDArray[np.floating]:
    """Medians over the middle axis; NaN where under half of a stretch spoke."""
    count = np.isfinite(parts).sum(axis=1)
    ordered = np.sort(parts, axis=1)
    low, high = np.maximum(count - 1, 0) // 2, np.minimum(np.maximum(count, 1) // 2, parts.shape[1] - 1)
    value = 0.5 * (
        np.take_along_axis(ordered, low[:, None, :], axis=1)[:, 0, :]
        + np.take_along_axis(ordered, high[:, None, :], axis=1)[:, 0, :]
    )
    return np.where(2 * count >= parts.shape[1], value, np.nan)


def stepped_down(q50: Floats, speaks: Mask, base: Baseline, past_ticks: int, step_s: float) -> int | None:
    """After how many of these ticks a session has held a lower level for so long that it is its best.

    q50, speaks: (ticks, sessions) since the baseline was taken; past_ticks: how many it was taken from.
    None when no session has.
    """
    below = speaks & (q50 < base.loc50 - margin(base.scale50))
    need = max(HELD_S / step_s, HELD_SHARE * past_ticks if past_ticks * step_s >= AN_HOUR_S else 0.0)
    some = np.flatnonzero(below.sum(axis=0) >= need)
    if not some.size:
        return None
    reached = np.cumsum(below[:, some], axis=0) >= need
    return int(reached.any(axis=1).argmax()) + 1
