"""What is usual for a session: the best level that it held, not the average of its past."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from whichhop.compare.inference.baseline import MAD_TO_SIGMA, Baseline, Floats, baseline_of
from whichhop.compare.inference.settings import Settings
from whichhop.compare.windows.table import WindowTable
from whichhop.model import LinkKind, Medium, Session

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
LEAST_SLOW = 0.06
"""Of the answers: a good radio that looks for others has 3 to 5 % slow ones for minutes, and no more."""
LOSS_SIGMAS = 4.0
"""A stretch lost more, or was slow more often, than the best ones when its count is this many Poisson
deviations above theirs."""

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
    q50: Floats,
    sent: NDArray[np.integer[Any]],
    lost: NDArray[np.integer[Any]],
    slow: NDArray[np.integer[Any]],
    *,
    each: int,
    step_s: float,
) -> Mask:
    """Which ticks, (ticks, sessions), belong to a stretch in which the session held its best level.

    q50: NaN where silent. sent, lost, slow: packets that spoke up to each tick since the one given before it.
    each: ticks a stretch; the last one ends with the last tick. step_s: seconds a stretch lasts. All True
    while there are not LEAST_LEVELS stretches.
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
    n, k, late = (a[tail].reshape(count, each, sessions).sum(axis=1) for a in (sent, lost, slow))
    # Where scans come and go, most stretches have more slow packets than the best: those are no fault's yet.
    high |= _many(k, n, step_s) | (_many(late, n - k, step_s) & (late > LEAST_SLOW * (n - k)))
    # A stretch beside a worse one may hold some of it: a step does not fall on a stretch's edge.
    beside = np.zeros_like(high)
    beside[1:] |= high[:-1]
    beside[:-1] |= high[1:]
    kept = ~high[:, None, :] & ~(beside[:, None, :] & above)
    out[tail] = kept.reshape(count * each, sessions)
    return out


def _many(k: NDArray[np.integer[Any]], n: NDArray[np.integer[Any]], step_s: float) -> Mask:
    """Which stretches had more than the best ones: (stretches, sessions) of k of n packets."""
    ratio = best(np.where(n > 0, (k + 0.5) / (n + 1.0), np.nan), step_s)
    usual = n * np.nan_to_num(ratio)
    return np.asarray(k > usual + LOSS_SIGMAS * np.sqrt(usual + 1.0))


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


RELEARN_S = 86_400.0
RELEARN_SHARE = 0.6
"""Once this share of a day is suspect, the new state is what is ordinary: a fault of a working day or a night
is one fault until it heals. At six hours one of three was told to be over while it went on."""
MOST_SAMPLES = 1440
PRIOR_SCALE_S = 0.0004
LINK_SCALE_S = {
    LinkKind.WIRELESS: 0.002,
    LinkKind.BACKHAUL: 0.0015,
    LinkKind.WIRED: 0.0001,
    LinkKind.ACCESS: 0.001,
    LinkKind.BEYOND: 0.0005,
}
"""What a session's scale is believed to be before its past says so (common practice)."""


def prior_scales(sessions: Sequence[Session]) -> Floats:
    """Seconds of spread expected of each session before its past is known."""
    out = []
    for session in sessions:
        square = PRIOR_SCALE_S**2
        for link in session.path.links:
            wired = link.kind is LinkKind.BACKHAUL and link.medium is Medium.ETHERNET
            square += LINK_SCALE_S[LinkKind.WIRED if wired else link.kind] ** 2
        out.append(square**0.5)
    return np.array(out, dtype=np.float32)


class Past(Struct, frozen=True, kw_only=True):
    """What sessions saw so far, to be read at once: whoever owns the arrays goes on filling them.

    speaks: (ticks, sessions), where a sample is evidence. suspect: likewise, what stays out of baselines.
    prior: (sessions,) seconds of spread believed before the past says so.
    """

    table: WindowTable
    speaks: NDArray[np.bool_]
    suspect: NDArray[np.bool_]
    prior: Floats
    settings: Settings

    @property
    def step_s(self) -> float:
        """Seconds a tick."""
        return self.table.step_ns * 1e-9

    def step_down(self, begin: int, at: int, end: int, base: Baseline) -> int | None:
        """The first tick from `at` to `end` by which a session holds a better level than the baseline's.

        begin: the tick at which the baseline was taken. None when there is none yet.
        """
        since = slice(begin, end)
        keep = int(self.settings.baseline_s / self.step_s)
        count = stepped_down(
            self.table.q50_s[since],
            self.speaks[since],
            base,
            min(begin, keep),
            self.step_s,
        )
        return None if count is None else max(at, begin + count)

    def _held(
        self, rows: slice, use: NDArray[np.bool_], moved: NDArray[np.bool_], stride: int
    ) -> NDArray[np.bool_]:
        """Of the ticks in use only those at the best level that the session held."""
        each = max(1, round(HELD_S / self.step_s / stride))
        heard = np.where(moved, use, self.speaks[rows])
        aside = moved & ~use
        kept = use & at_best(
            np.where(heard, self.table.q50_s[rows], np.nan).astype(np.float32),
            *(
                np.where(aside, 0, self._counted(rows, stride, counts))
                for counts in (self.table.sent, self.table.lost, self.table.slow)
            ),
            each=each,
            step_s=each * stride * self.step_s,
        )
        enough = kept.sum(axis=0) >= self.settings.warm_up_ticks
        return np.where(enough, kept, use)

    def _counted(
        self, rows: slice, stride: int, counts: NDArray[np.integer[Any]]
    ) -> NDArray[np.integer[Any]]:
        """What was counted up to each of these rows since the one before, which end with the slice: of one
        tick in six, too few packets tell a stretch that lost one in twenty from one that lost none."""
        begin = rows.start - stride + 1
        there = slice(max(0, begin), rows.stop)
        spoke = self.speaks[there] * counts[there]
        missing = np.zeros((max(0, -begin), spoke.shape[1]), dtype=spoke.dtype)
        whole = np.concatenate([missing, spoke]) if begin < 0 else spoke
        return np.asarray(whole.reshape(-1, stride, spoke.shape[1]).sum(axis=1, dtype=np.int64))

    def baseline(self, at: int) -> Baseline:
        """The baseline from the ticks before `at`, a day back at most."""
        first = max(0, at - int(self.settings.baseline_s / self.step_s))
        stride = max(1, -(-(at - first) // MOST_SAMPLES))
        rows = slice(at - 1 - ((at - 1 - first) // stride) * stride, at, stride)
        use = self.speaks[rows] & ~self.suspect[rows]
        recent = slice(max(0, at - int(RELEARN_S / self.step_s)), at, stride)
        spoken = self.speaks[recent]
        moved = (self.suspect[recent] & spoken).sum(axis=0) > RELEARN_SHARE * np.maximum(
            spoken.sum(axis=0), RELEARN_S / self.step_s / stride
        )
        if moved.any():
            late = np.zeros(use.shape[0], dtype=bool)
            late[-max(1, (recent.stop - recent.start) // stride // 2) :] = True
            use[:, moved] = self.speaks[rows][:, moved] & late[:, None]
        table = self.table
        use = self._held(rows, use, moved, stride)
        return baseline_of(
            np.where(use, table.q50_s[rows], np.nan).astype(np.float32),
            np.where(use, table.q80_s[rows], np.nan).astype(np.float32),
            np.where(use, table.sent[rows], 0).astype(np.uint16),
            np.where(use, table.lost[rows], 0).astype(np.uint16),
            np.where(use, table.slow[rows], 0).astype(np.uint16),
            prior_scale=self.prior,
            least_ticks=self.settings.warm_up_ticks,
        )
