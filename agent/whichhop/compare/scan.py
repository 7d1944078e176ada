"""Goes over a whole table once: baselines as time passes, and every tick's evidence per element."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.alibi import Alibi
from whichhop.compare.baseline import Baseline, Floats, baseline_of
from whichhop.compare.causes import Columns, minor_evidence, mixed, part_evidence, part_sums
from whichhop.compare.likelihood import Evidence, delay_evidence, loss_evidence
from whichhop.compare.passing import BlipRates, none_log, passing_log, quiet_log
from whichhop.compare.settings import Settings
from whichhop.compare.windows import WindowTable
from whichhop.model import LinkKind, Medium, Session

SUSPECT = 4.0
"""A session's tick with more log-ratio than this for any excess stays out of its own quiet baseline."""
RELEARN_S = 6 * 3600.0
RELEARN_SHARE = 0.6
"""Once this share of so long a time is suspect, the new state is what is ordinary."""
GROWTH = 1.25
LONGEST_BLOCK_S = 3 * 3600.0
CHUNK = 240
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Scan:
    """What is known of every tick.

    ratios: (ticks, elements) log-ratio of one element at fault against none. quiet: (ticks,) of no fault
    with blips allowed. rates: per block the elements' blip rates. blocks: first tick of each block, rising.
    """

    table: WindowTable
    alibi: Alibi
    columns: Columns
    settings: Settings
    ratios: Floats
    quiet: NDArray[np.float64]
    blocks: tuple[int, ...]
    baselines: tuple[Baseline, ...]
    rates: tuple[NDArray[np.float64], ...]

    def block_of(self, tick: int) -> int:
        """The block that holds a tick; ticks of the warm-up count to the first."""
        return max(0, int(np.searchsorted(self.blocks, tick, side="right")) - 1)

    def evidence(self, first: int, end: int) -> Evidence:
        """The sessions' evidence for the ticks first..end-1."""
        delays, losses = [], []
        at = first
        while at < end:
            block = self.block_of(at)
            stop = self.blocks[block + 1] if block + 1 < len(self.blocks) else self.table.ticks
            stop = min(end, stop)
            part = evidence_of(
                self.table, self.alibi, self.baselines[block], self.settings, first=at, end=stop
            )
            delays.append(part.delay)
            losses.append(part.loss)
            at = stop
        return Evidence(delay=np.concatenate(delays, axis=1), loss=np.concatenate(losses, axis=1))


def evidence_of(
    table: WindowTable, alibi: Alibi, base: Baseline, settings: Settings, *, first: int, end: int
) -> Evidence:
    """Evidence of the ticks first..end-1 against one baseline; 0 where a session does not speak."""
    cut = table.span(first, end)
    speaks = alibi.speaks[first:end] & np.isfinite(base.loc50)
    sent = np.where(speaks, cut.sent, 0).astype(np.uint16)
    lost = np.where(speaks, cut.lost, 0).astype(np.uint16)
    q50 = np.where(speaks, cut.q50_s, np.nan).astype(np.float32)
    return Evidence(
        delay=delay_evidence(q50, cut.q80_s, sent - lost, base, settings),
        loss=loss_evidence(sent, lost, base, settings),
    )


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


def block_starts(ticks: int, step_s: float, settings: Settings) -> tuple[int, ...]:
    """When baselines are taken anew: often at first, every few hours once there is a past."""
    out = []
    at = settings.warm_up_ticks
    while at < ticks:
        out.append(at)
        at = min(max(at + 1, int(at * GROWTH)), at + max(1, int(LONGEST_BLOCK_S / step_s)))
    return tuple(out)


class _Past:
    """The ticks gone by, with suspect ones marked, from which baselines are taken."""

    def __init__(self, table: WindowTable, alibi: Alibi, prior: Floats, settings: Settings) -> None:
        self.table, self.alibi, self.prior, self.settings = table, alibi, prior, settings
        self.suspect = np.zeros(table.sent.shape, dtype=bool)
        self.step_s = table.step_ns * 1e-9

    def baseline(self, at: int) -> Baseline:
        first = max(0, at - int(self.settings.baseline_s / self.step_s))
        stride = max(1, -(-(at - first) // MOST_SAMPLES))
        rows = slice(at - 1 - ((at - 1 - first) // stride) * stride, at, stride)
        use = self.alibi.speaks[rows] & ~self.suspect[rows]
        recent = slice(max(0, at - int(RELEARN_S / self.step_s)), at, stride)
        spoken = self.alibi.speaks[recent]
        moved = (self.suspect[recent] & spoken).sum(axis=0) > RELEARN_SHARE * np.maximum(
            spoken.sum(axis=0), RELEARN_S / self.step_s / stride / 2
        )
        if moved.any():
            late = np.zeros(use.shape[0], dtype=bool)
            late[-max(1, (recent.stop - recent.start) // stride // 2) :] = True
            use[:, moved] = self.alibi.speaks[rows][:, moved] & late[:, None]
        table = self.table
        return baseline_of(
            np.where(use, table.q50_s[rows], np.nan).astype(np.float32),
            np.where(use, table.q80_s[rows], np.nan).astype(np.float32),
            np.where(use, table.sent[rows], 0).astype(np.uint16),
            np.where(use, table.lost[rows], 0).astype(np.uint16),
            prior_scale=self.prior,
            least_ticks=self.settings.warm_up_ticks,
        )


def scan(
    table: WindowTable, sessions: Sequence[Session], alibi: Alibi, columns: Columns, settings: Settings
) -> Scan:
    """Evidence of every tick, each judged against the past only, as live use would."""
    step_s = table.step_ns * 1e-9
    past = _Past(table, alibi, prior_scales(sessions), settings)
    blips = BlipRates(columns.priors, step_s)
    ratios = np.zeros((table.ticks, len(columns.priors)), dtype=np.float32)
    quiet = np.zeros(table.ticks)
    blocks = block_starts(table.ticks, step_s, settings)
    baselines, rates = [], []
    for i, start in enumerate(blocks):
        base = past.baseline(start)
        rate = blips.rates()
        baselines.append(base)
        rates.append(rate)
        end = blocks[i + 1] if i + 1 < len(blocks) else table.ticks
        for first in range(start, end, CHUNK):
            stop = min(end, first + CHUNK)
            part = evidence_of(table, alibi, base, settings, first=first, end=stop)
            past.suspect[first:stop] = (part.delay.max(axis=0) > SUSPECT) | (part.loss.max(axis=0) > SUSPECT)
            sums = part_sums(part, columns)
            ratios[first:stop] = mixed(*part_evidence(sums, columns))
            passing = passing_log(ratios[first:stop], minor_evidence(sums, columns), rate)
            quiet[first:stop] = quiet_log(passing, none_log(columns.minor, rate))
        blips.learn(ratios[start:end])
    return Scan(
        table=table,
        alibi=alibi,
        columns=columns,
        settings=settings,
        ratios=ratios,
        quiet=quiet,
        blocks=blocks,
        baselines=tuple(baselines),
        rates=tuple(rates),
    )
