"""The ticks gone by, suspect ones marked, from which quiet baselines are taken."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.inference.baseline import Baseline, Floats, baseline_of
from whichhop.compare.inference.held import HELD_S, at_best, stepped_down
from whichhop.compare.inference.settings import Settings
from whichhop.compare.windows.table import WindowTable
from whichhop.model import LinkKind, Medium, Session

RELEARN_S = 6 * 3600.0
RELEARN_SHARE = 0.6
"""Once this share of so long a time is suspect, the new state is what is ordinary."""
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


class Past:
    """What sessions saw so far; `suspect` (ticks, sessions) marks what stays out of their baselines."""

    def __init__(
        self, table: WindowTable, speaks: NDArray[np.bool_], prior: Floats, settings: Settings
    ) -> None:
        self.table, self.speaks, self.prior, self.settings = table, speaks, prior, settings
        self.suspect = np.zeros(table.sent.shape, dtype=bool)
        self.step_s = table.step_ns * 1e-9

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
        kept = use & at_best(
            np.where(heard, self.table.q50_s[rows], np.nan).astype(np.float32),
            np.where(heard, self.table.sent[rows], 0.0),
            np.where(heard, self.table.lost[rows], 0.0),
            each,
            each * stride * self.step_s,
        )
        enough = kept.sum(axis=0) >= self.settings.warm_up_ticks
        return np.where(enough, kept, use)

    def baseline(self, at: int) -> Baseline:
        """The baseline from the ticks before `at`, a day back at most."""
        first = max(0, at - int(self.settings.baseline_s / self.step_s))
        stride = max(1, -(-(at - first) // MOST_SAMPLES))
        rows = slice(at - 1 - ((at - 1 - first) // stride) * stride, at, stride)
        use = self.speaks[rows] & ~self.suspect[rows]
        recent = slice(max(0, at - int(RELEARN_S / self.step_s)), at, stride)
        spoken = self.speaks[recent]
        moved = (self.suspect[recent] & spoken).sum(axis=0) > RELEARN_SHARE * np.maximum(
            spoken.sum(axis=0), RELEARN_S / self.step_s / stride / 2
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
            prior_scale=self.prior,
            least_ticks=self.settings.warm_up_ticks,
        )
