"""The one owner of all that grows tick by tick: windows, who could speak, what is suspect, every rating."""

from collections.abc import Sequence

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from whichhop.compare.inference.baseline import Baseline
from whichhop.compare.inference.evidence import (
    ElementColumns,
    fitted,
    minor_evidence,
    mixed,
    part_evidence,
    part_sums,
    with_tails,
)
from whichhop.compare.inference.likelihood import Evidence
from whichhop.compare.inference.past import Past, prior_scales
from whichhop.compare.inference.scan import Scan, evidence_of, keep
from whichhop.compare.inference.settings import Settings
from whichhop.compare.inference.some_late import support
from whichhop.compare.inference.transients import BlipRates, none_log, passing_log, quiet_log
from whichhop.compare.windows.reporting import NEVER, Reporting, first_answers, mute_boxes
from whichhop.compare.windows.table import COUNTS, QUANTILES, WindowTable
from whichhop.model import Session

SUSPECT = 4.0
"""A session's tick with more log-ratio than this for any excess stays out of its own quiet baseline."""
ILL = 8.0
"""An element of such a log-ratio in a tick is ill whatever its prior: twice of what makes one session odd."""
GROWTH = 1.25
"""A young baseline is taken anew once a quarter more is known. Swept: doubled, two more false verdicts
(tests/suite/results/priors.md)."""
LONGEST_BLOCK_S = 3 * 3600.0
"""An old one every three hours. Swept: half and twice of it gave the same figures (the same table)."""
MOST_ODD = 2160
"""Ticks of ill pieces whose evidence waits for a close look: six hours, 20 MB with 120 sessions."""
CHUNK = 240
"""Ticks rated at a time, which bounds memory and changes no figure (swept, the same table)."""


def next_block(at: int, step_s: float) -> int:
    """When the baseline is taken anew after `at` ticks: often at first, every few hours with a past."""
    return min(max(at + 1, int(at * GROWTH)), at + max(1, int(LONGEST_BLOCK_S / step_s)))


class RatedTicks:
    """Ticks `0..filled-1` of a table with room for more, each judged against the past only.

    Its arrays are filled in place by its own methods alone; what it hands out are views, to be read at once.
    A block is a run of ticks judged against one baseline: `blocks` holds their first ticks, rising (below 0
    for one that began before the oldest tick that is kept), `baselines` and the blip rates one of each.
    """

    def __init__(
        self,
        table: WindowTable,
        sessions: Sequence[Session],
        columns: ElementColumns,
        settings: Settings,
        *,
        reporting: Reporting | None = None,
    ) -> None:
        """A history whose reporting is known; without it the table is room for ticks that are to come."""
        self._table, self._columns, self._settings = table, columns, settings
        self._prior = prior_scales(sessions)
        self._speaks = np.zeros(table.sent.shape, dtype=bool) if reporting is None else reporting.speaks
        self._suspect = np.zeros(table.sent.shape, dtype=bool)
        self._ratios = np.zeros((table.ticks, len(columns.priors)), dtype=np.float32)
        self._quiet = np.zeros(table.ticks)
        self._late = np.zeros((table.ticks, len(columns.may_be_late)), dtype=np.float16)
        self._blips = BlipRates(columns.priors, self.step_s)
        self._rates: list[NDArray[np.float64]] = []
        self._sessions = tuple(sessions)
        self._first_answer = np.full(len(self._sessions), NEVER, dtype=np.int64)
        self.watched = frozenset[str]() if reporting is None else reporting.watched
        self.agents = tuple(dict.fromkeys(s.key.agent for s in sessions))
        room = np.full((table.ticks, len(self.agents)), np.nan, dtype=np.float32)
        self._late_s = room if reporting is None else reporting.late_s
        self.blocks: list[int] = []
        self.baselines: list[Baseline] = []
        self.filled = 0 if reporting is None else table.ticks

    @property
    def step_s(self) -> float:
        """Seconds a tick."""
        return self._table.step_ns * 1e-9

    @property
    def room(self) -> int:
        """How many ticks more it can take."""
        return self._table.ticks - self.filled

    @property
    def table(self) -> WindowTable:
        """The ticks that are filled."""
        return self._table.span(0, self.filled)

    @property
    def speaks(self) -> NDArray[np.bool_]:
        """(ticks, sessions) of those filled, where a sample is evidence."""
        return self._speaks[: self.filled]

    @property
    def late_s(self) -> NDArray[np.float32]:
        """(ticks, agents) of those filled, how late each ran; see `Reporting`."""
        return self._late_s[: self.filled]

    def at_ns(self, tick: int) -> int:
        """When a tick begins."""
        return self._table.at_ns(tick)

    def append(self, piece: WindowTable, columns: Sequence[tuple[int, int]]) -> None:
        """Take in ticks; columns: of the piece and here, by session. ValueError where there is no room."""
        if piece.ticks > self.room:
            raise ValueError(f"room for {self.room} ticks, {piece.ticks} came; forget some first")
        if piece.stamps:
            self._table = replace(self._table, stamps={**self._table.stamps, **piece.stamps})
        end = self.filled + piece.ticks
        for name in (*COUNTS, *QUANTILES):
            target, source = getattr(self._table, name), getattr(piece, name)
            target[self.filled : end, [j for _, j in columns]] = source[:, [i for i, _ in columns]]
        found = first_answers(self._table.span(self.filled, end))
        fresh = np.where(found < NEVER, self.filled + found, NEVER)
        self._first_answer = np.minimum(self._first_answer, fresh)
        self.filled = end

    def report(self, first: int, reporting: Reporting) -> None:
        """Who could speak when, from the tick `first` on."""
        end = first + reporting.speaks.shape[0]
        mute = mute_boxes(self._first_answer, range(first, end), self._sessions)
        self._speaks[first:end] = reporting.speaks & ~mute
        self._late_s[first:end] = reporting.late_s
        self.watched |= reporting.watched

    def begin_block(self, at: int) -> None:
        """The ticks from `at` on are judged against a baseline of those before it."""
        if self.blocks:
            self._blips.learn(self._ratios[max(0, self.blocks[-1]) : at])
        self.blocks.append(at)
        self.baselines.append(self._past().baseline(at))
        self._rates.append(self._blips.rates())

    def step_down(self, at: int, end: int) -> int | None:
        """The first tick from `at` to `end` by which a session holds a better level than the newest baseline.

        None when there is none yet.
        """
        return self._past().step_down(self.blocks[-1], at, end, self.baselines[-1])

    def rate(self, first: int, end: int, odd: dict[tuple[int, int], Evidence] | None = None) -> None:
        """Rate the ticks first..end-1 against the newest baseline.

        odd: gets the evidence of what a close look is likely to ask for again, see `Scan.worked_out`.
        """
        columns = fitted(self._columns, self.baselines[-1].scale80)
        for at in range(first, end, CHUNK):
            stop = min(end, at + CHUNK)
            part = self._evidence(at, stop)
            loud = np.maximum(part.delay.max(axis=0), part.loss.max(axis=0))
            loud = np.maximum(loud, part.tail.max(axis=0))
            sums = part_sums(part, self._columns)
            minor = minor_evidence(sums, columns)
            plain = mixed(*part_evidence(sums, part, columns))
            self._ratios[at:stop], slow = with_tails(plain, minor, part, columns)
            self._suspect[at:stop] = (loud > SUSPECT) | part.alone | self._of_an_ill_element(at, stop)
            passing = passing_log(self._ratios[at:stop], minor, self._rates[-1], slow)
            none = none_log(columns.minor, self._rates[-1])
            quiet = self._quiet[at:stop] = quiet_log(passing, none)
            self._late[at:stop] = support(part, columns, minor, none, quiet)
            if odd is None or sum(b - a for a, b in odd) + stop - at > MOST_ODD:
                continue
            if (self._ratios[at:stop] > ILL).any():
                keep(odd, at, stop, part)

    def _of_an_ill_element(self, first: int, end: int) -> NDArray[np.bool_]:
        """Which sessions, (ticks, sessions), cross what is likeliest ill: one that varies too much to show it
        would learn it for its own past, and then speak against it."""
        ratios = self._ratios[first:end]
        crossing = self._columns.matrix.T[ratios.argmax(axis=1)] > 0
        return np.asarray(crossing & (ratios.max(axis=1) > ILL)[:, None])

    def scan(self, first: int, end: int, worked_out: dict[tuple[int, int], Evidence] | None = None) -> Scan:
        """What is known of the ticks first..end-1; worked_out: their evidence as far as it is known."""
        span = slice(first, end)
        return Scan(
            table=self._table.span(first, end),
            speaks=self._speaks[span],
            columns=self._columns,
            settings=self._settings,
            ratios=self._ratios[span],
            quiet=self._quiet[span],
            late=self._late[span],
            blocks=tuple(max(0, b - first) for b in self.blocks),
            baselines=tuple(self.baselines),
            rates=tuple(self._rates),
            worked_out=worked_out or {},
        )

    def forget(self, count: int) -> None:
        """Drop the oldest ticks; those kept are counted from 0 anew."""
        kept = self.filled - count
        arrays = [getattr(self._table, name) for name in (*COUNTS, *QUANTILES)]
        arrays += [self._speaks, self._suspect, self._late_s, self._ratios, self._quiet, self._late]
        for array in arrays:
            array[:kept] = array[count : self.filled].copy()
        for name in COUNTS:
            getattr(self._table, name)[kept:] = 0
        for name in QUANTILES:
            getattr(self._table, name)[kept:] = np.nan
        self._suspect[kept:] = False
        self._late_s[kept:] = np.nan
        self._table = replace(self._table, start_ns=self._table.at_ns(count))
        self.filled = kept
        self._first_answer = np.where(self._first_answer < NEVER, self._first_answer - count, NEVER)
        self.blocks = [b - count for b in self.blocks]
        while len(self.blocks) > 1 and self.blocks[1] <= 0:
            del self.blocks[0], self.baselines[0], self._rates[0]

    def _past(self) -> Past:
        return Past(
            table=self._table,
            speaks=self._speaks,
            suspect=self._suspect,
            prior=self._prior,
            settings=self._settings,
        )

    def _evidence(self, first: int, end: int) -> Evidence:
        return evidence_of(
            self._table,
            self._speaks,
            self.baselines[-1],
            self._columns,
            self._settings,
            first=first,
            end=end,
        )


def scan(
    table: WindowTable,
    sessions: Sequence[Session],
    reporting: Reporting,
    columns: ElementColumns,
    settings: Settings,
    *,
    first: int = 0,
    past: int = 0,
) -> Scan:
    """Evidence of every tick of a history, each judged against the past only, as live use would.

    first: ticks before it are past only. past: those before this one nobody will look at closely. The first
    minutes are a third of an hour's work: while the past is short, it is looked at anew each tick.
    """
    rated = RatedTicks(table, sessions, columns, settings, reporting=reporting)
    odd: dict[tuple[int, int], Evidence] = {}
    at = max(settings.warm_up_ticks, min(first, table.ticks - 1))
    while at < table.ticks:
        rated.begin_block(at)
        end = min(next_block(at, rated.step_s), table.ticks)
        end = rated.step_down(at + 1, end) or end
        rated.rate(at, end, odd if end > past else None)
        at = end
    return rated.scan(0, table.ticks, odd)
