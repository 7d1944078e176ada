"""Goes over a whole table once: baselines as time passes, and every tick's evidence per element."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.inference.baseline import Baseline, Floats
from whichhop.compare.inference.evidence import (
    DOZING_S,
    ElementColumns,
    minor_evidence,
    mixed,
    part_evidence,
    part_sums,
)
from whichhop.compare.inference.likelihood import Evidence, delay_evidence, joined, loss_evidence
from whichhop.compare.inference.past import Past, prior_scales
from whichhop.compare.inference.settings import Settings
from whichhop.compare.inference.transients import BlipRates, late_alone, none_log, passing_log, quiet_log
from whichhop.compare.windows.reporting import Reporting
from whichhop.compare.windows.table import WindowTable
from whichhop.model import Session

SUSPECT = 4.0
"""A session's tick with more log-ratio than this for any excess stays out of its own quiet baseline."""
GROWTH = 1.25
LONGEST_BLOCK_S = 3 * 3600.0
CHUNK = 240
MOST_KEPT = 8640
"""Ticks of evidence kept for the episodes in them: a day, or the longest stretch; 30 MB with 50 sessions."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scan:
    """What is known of every tick.

    ratios: (ticks, elements) log-ratio of one element at fault against none. quiet: (ticks,) of no fault
    with blips allowed. rates: per block the elements' blip rates. blocks: first tick of each block, rising.
    worked_out: evidence by first and end tick, so that what a stretch needed serves the episodes in it too.
    """

    table: WindowTable
    alibi: Reporting
    columns: ElementColumns
    settings: Settings
    ratios: Floats
    quiet: NDArray[np.float64]
    blocks: tuple[int, ...]
    baselines: tuple[Baseline, ...]
    rates: tuple[NDArray[np.float64], ...]
    worked_out: dict[tuple[int, int], Evidence] = field(default_factory=dict)

    def block_of(self, tick: int) -> int:
        """The block that holds a tick; ticks of the warm-up count to the first."""
        return max(0, int(np.searchsorted(self.blocks, tick, side="right")) - 1)

    def evidence(self, first: int, end: int) -> Evidence:
        """The sessions' evidence for the ticks first..end-1; worked out once for a stretch and its parts."""
        begin, stop = max(
            (span for span in self.worked_out if span[0] <= first < span[1]),
            key=lambda span: span[1],
            default=(first, first),
        )
        known = self.worked_out[begin, stop].cut(first - begin, end - begin) if stop > first else None
        if known is not None and end <= stop:
            return known
        fresh = self._evidence(max(first, stop), end)
        found = fresh if known is None else joined((known, fresh))
        while self.worked_out and sum(b - a for a, b in self.worked_out) + end - first > MOST_KEPT:
            del self.worked_out[next(iter(self.worked_out))]
        self.worked_out[first, end] = found
        return found

    def _evidence(self, first: int, end: int) -> Evidence:
        parts = []
        at = first
        while at < end:
            block = self.block_of(at)
            stop = self.blocks[block + 1] if block + 1 < len(self.blocks) else self.table.ticks
            stop = min(end, stop)
            part = evidence_of(
                self.table,
                self.alibi,
                self.baselines[block],
                self.columns,
                self.settings,
                first=at,
                end=stop,
            )
            parts.append(part)
            at = stop
        return joined(parts)


def evidence_of(
    table: WindowTable,
    alibi: Reporting,
    base: Baseline,
    columns: ElementColumns,
    settings: Settings,
    *,
    first: int,
    end: int,
) -> Evidence:
    """Evidence of the ticks first..end-1 against one baseline; 0 where a session does not speak.

    A session that is late all by itself says nothing about delay; see `late_alone`.
    """
    cut = table.span(first, end)
    speaks = alibi.speaks[first:end] & np.isfinite(base.loc50)
    sent = np.where(speaks, cut.sent, 0).astype(np.uint16)
    lost = np.where(speaks, cut.lost, 0).astype(np.uint16)
    over = np.where(speaks, cut.q80_s - base.loc80, np.nan)
    alone = late_alone(over, base.scale80, columns.matrix, columns.agents)
    if columns.dozes.any():
        # What may be a radio's waking clears no session of being late alone, up to the longest doze.
        awake = np.where(columns.dozes, np.float32(0.0), columns.matrix)
        with np.errstate(invalid="ignore"):
            alone |= late_alone(over, base.scale80, awake, columns.agents) & (over <= DOZING_S)
    q50 = np.where(speaks & ~alone, cut.q50_s, np.nan).astype(np.float32)
    return Evidence(
        delay=delay_evidence(q50, cut.q80_s, sent - lost, base, settings),
        loss=loss_evidence(sent, lost, base, settings),
        alone=alone,
    )


def next_block(at: int, step_s: float) -> int:
    """When the baseline is taken anew after `at` ticks: often at first, every few hours with a past."""
    return min(max(at + 1, int(at * GROWTH)), at + max(1, int(LONGEST_BLOCK_S / step_s)))


class Rater:
    """Turns sessions' ticks into log-ratios per element, and marks what must stay out of the baselines."""

    def __init__(self, past: Past, alibi: Reporting, columns: ElementColumns, settings: Settings) -> None:
        self.past, self.alibi, self.columns, self.settings = past, alibi, columns, settings
        self.ratios = np.zeros((past.table.ticks, len(columns.priors)), dtype=np.float32)
        self.quiet = np.zeros(past.table.ticks)

    def rate(self, first: int, end: int, base: Baseline, rates: NDArray[np.float64]) -> None:
        """Fill the ticks first..end-1, judged against one baseline."""
        for at in range(first, end, CHUNK):
            stop = min(end, at + CHUNK)
            part = evidence_of(
                self.past.table, self.alibi, base, self.columns, self.settings, first=at, end=stop
            )
            loud = np.maximum(part.delay.max(axis=0), part.loss.max(axis=0))
            self.past.suspect[at:stop] = (loud > SUSPECT) | part.alone
            sums = part_sums(part, self.columns)
            self.ratios[at:stop] = mixed(*part_evidence(sums, self.columns))
            passing = passing_log(self.ratios[at:stop], minor_evidence(sums, self.columns), rates)
            self.quiet[at:stop] = quiet_log(passing, none_log(self.columns.minor, rates))


def scan(
    table: WindowTable,
    sessions: Sequence[Session],
    alibi: Reporting,
    columns: ElementColumns,
    settings: Settings,
) -> Scan:
    """Evidence of every tick, each judged against the past only, as live use would."""
    step_s = table.step_ns * 1e-9
    past = Past(table, alibi.speaks, prior_scales(sessions), settings)
    rater = Rater(past, alibi, columns, settings)
    blips = BlipRates(columns.priors, step_s)
    blocks: list[int] = []
    baselines, rates = [], []
    at = settings.warm_up_ticks
    while at < table.ticks:
        blocks.append(at)
        baselines.append(past.baseline(at))
        rates.append(blips.rates())
        end = min(next_block(at, step_s), table.ticks)
        end = past.step_down(at, at + 1, end, baselines[-1]) or end
        rater.rate(at, end, baselines[-1], rates[-1])
        blips.learn(rater.ratios[at:end])
        at = end
    return Scan(
        table=table,
        alibi=alibi,
        columns=columns,
        settings=settings,
        ratios=rater.ratios,
        quiet=rater.quiet,
        blocks=tuple(blocks),
        baselines=tuple(baselines),
        rates=tuple(rates),
    )
