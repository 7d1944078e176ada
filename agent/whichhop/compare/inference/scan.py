"""What is known of every tick that was rated, and the evidence of any stretch of them, worked out once."""

from collections.abc import Callable, Iterator
from functools import cached_property, partial
from typing import Any

import numpy as np
from msgspec import Struct, field
from msgspec.structs import replace
from numpy.typing import NDArray

from whichhop.compare.inference.baseline import USUAL_SLOW, Baseline, Floats
from whichhop.compare.inference.evidence import (
    DOZING_S,
    ElementColumns,
    fitted,
)
from whichhop.compare.inference.likelihood import (
    ALONE_SOME_LATE,
    AWAY_S,
    DELAYS_S,
    FEW_ANSWERS,
    MOST_SOME_LATE,
    SOME_LATE,
    TAILS,
    Evidence,
    delay_evidence,
    joined,
    loss_evidence,
    tail_evidence,
)
from whichhop.compare.inference.settings import Settings
from whichhop.compare.inference.transients import LEVELS_S, late_alone
from whichhop.compare.windows.around import summed_around
from whichhop.compare.windows.table import WindowTable

MOST_KEPT = 8640
"""Ticks of evidence kept for the episodes in them: a day, or the longest stretch; 30 MB with 50 sessions."""
ASLEEP = 0.9
"""How likely whatever slow answers a device on radio gives came after its sleep; no source. Where by its
radio's fault one packet in seven comes late, its answers then say nothing on the whole, for it or against."""

AWAKE_S = 0.09
"""A radio stays awake for some 100 ms after it asked (common practice); of the grid the value next to it."""
DOZE_AT_ONCE_S = 0.31
"""What then comes waits for up to three beacon intervals of 102 ms (common practice)."""
SLEPT = 0.3
"""How likely an answer so late waited; no source. Else its seldom sessions told of a further fault."""

UNEVEN = 0.2
"""Of the 80 % quantile's lateness, how far the median's lies below it where answers wait for a beacon.
Derived: 0.375 for waits of anything up to the longest; 0.17 below a queue that stands between half and all of
its depth, 0 below a delay that each packet has."""
UNEVEN_TICKS = 3
"""Ticks on each side that count with one: ten answers tell the two quantiles apart badly."""
BEACON_S = 0.05
"""The 80 % quantile of waits for the next beacon is 80 ms where beacons come each 102 ms (IEEE 802.11: 100
time units are usual), and 60 ms where half of the packets wait: what is late by less waits for none."""


class Scan(Struct, frozen=True, kw_only=True, dict=True):
    """What is known of every tick.

    speaks: (ticks, sessions), where a sample is evidence. ratios: (ticks, elements) log-ratio of one element
    at fault against none. late: (ticks, len(columns.may_be_late)) of some late packets for minutes, likewise
    against no fault. quiet: (ticks,) of no fault with blips allowed. rates: per block the elements' blip
    rates. blocks: first tick of each block, rising. worked_out: evidence by first and end tick, so that what
    a stretch needed serves the episodes in it too.
    """

    table: WindowTable
    speaks: NDArray[np.bool_]
    columns: ElementColumns
    settings: Settings
    ratios: Floats
    quiet: NDArray[np.float64]
    blocks: tuple[int, ...]
    baselines: tuple[Baseline, ...]
    rates: tuple[NDArray[np.float64], ...]
    late: NDArray[np.float16]
    worked_out: dict[tuple[int, int], Evidence] = field(default_factory=dict)
    looked: dict[tuple[int, frozenset[int]], tuple[Any, ...]] = field(default_factory=dict)
    """What was found by the second already, by a tick's begin in UTC ns and who was not heard; see sooner."""

    def block_of(self, tick: int) -> int:
        """The block that holds a tick; ticks of the warm-up count to the first."""
        return max(0, int(np.searchsorted(self.blocks, tick, side="right")) - 1)

    def columns_at(self, tick: int) -> ElementColumns:
        """The columns as the baseline of a tick's block fits them."""
        return fitted(self.columns, self.baselines[self.block_of(tick)].scale80)

    @cached_property
    def answered(self) -> NDArray[np.bool_]:
        """Sessions of which a packet was ever answered, (sessions,); every look asks."""
        return self.table.answered_at_all()

    def heard(self, span: slice) -> frozenset[int]:
        """The sessions that spoke in these ticks, but for those that nobody ever answered: whom a guest
        network keeps apart, or a target that is silent, tells no two elements apart."""
        spoke = self.speaks[span].any(axis=0) & self.answered
        return frozenset(np.flatnonzero(spoke).tolist())

    def evidence(self, first: int, end: int) -> Evidence:
        """The sessions' evidence for the ticks first..end-1; worked out once for a stretch and its parts."""
        for begin, stop in self.worked_out:
            if begin <= first and end <= stop:
                return self.worked_out[begin, stop].cut(first - begin, end - begin)
        parts: list[Evidence] = []
        at = first
        while at < end:
            known = max((s for s in self.worked_out if s[0] <= at < s[1]), key=lambda s: s[1], default=None)
            if known is not None:
                stop = min(end, known[1])
                parts.append(self.worked_out[known].cut(at - known[0], stop - known[0]))
            else:
                stop = min([end, *(begin for begin, _ in self.worked_out if begin > at)])
                parts += self._evidence(at, stop)
            at = stop
        return keep(self.worked_out, first, end, joined(parts))

    def _evidence(self, first: int, end: int) -> Iterator[Evidence]:
        """Worked out anew, block by block."""
        at = first
        while at < end:
            block = self.block_of(at)
            stop = self.blocks[block + 1] if block + 1 < len(self.blocks) else self.table.ticks
            stop = min(end, stop)
            yield evidence_of(
                self.table,
                self.speaks,
                self.baselines[block],
                self.columns,
                self.settings,
                first=at,
                end=stop,
            )
            at = stop


def keep(known: dict[tuple[int, int], Evidence], first: int, end: int, found: Evidence) -> Evidence:
    """Remember the evidence of some ticks in place of its parts, and forget the oldest beyond MOST_KEPT."""
    for part in [s for s in known if first <= s[0] and s[1] <= end]:
        del known[part]
    while known and sum(b - a for a, b in known) + end - first > MOST_KEPT:
        del known[next(iter(known))]
    known[first, end] = found
    return found


def evidence_of(
    table: WindowTable,
    speaks: NDArray[np.bool_],
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
    heard = speaks[first:end] & np.isfinite(base.loc50)
    # Who asks too seldom for a median in a tick loses packets like others.
    counted = speaks[first:end] & (base.answered >= settings.warm_up_ticks)
    sent = np.where(counted, cut.sent, 0).astype(np.uint16)
    lost = np.where(counted, cut.lost, 0).astype(np.uint16)
    # Of a few answers the 80 % quantile is the slowest, and one name lookup in seven is asked again.
    few = sent - lost < FEW_ANSWERS
    over = np.where(heard, np.where(few, cut.q50_s - base.loc50, cut.q80_s - base.loc80), np.nan)
    scale = np.where(few, base.scale50, base.scale80)
    alone = late_alone(
        over, scale, columns.matrix, columns.agents, sleepy=columns.sleepy, targets=columns.targets
    )
    # What may be a radio's waking clears no session of being late alone, up to the longest doze.
    for rows, dozes, every in _dozing(heard, columns, partial(_waits, table, speaks, base, first, end)):
        awake = np.where(dozes, np.float32(0.0), columns.matrix)
        found = late_alone(over[rows], scale[rows], awake, columns.agents, every=every)
        with np.errstate(invalid="ignore"):
            alone[rows] |= found & (over[rows] <= DOZING_S)
    q50 = np.where(heard & ~alone, cut.q50_s, np.nan).astype(np.float32)
    some_late = _tail_of(
        _without_scans(cut), heard, base, columns, settings, shares=SOME_LATE, least=USUAL_SLOW
    )
    delay = delay_evidence(q50, cut.q80_s, sent - lost, base, settings)
    _let_wait(delay, np.flatnonzero(columns.sleepy | columns.to_sleepy))
    return Evidence(
        delay=delay,
        loss=loss_evidence(sent, lost, base, settings),
        tail=_tail_of(cut, heard & ~alone, base, columns, settings),
        late=np.minimum(some_late[0], np.where(alone, ALONE_SOME_LATE, MOST_SOME_LATE)).astype(np.float32),
        alone=alone,
    )


def _let_wait(delay: Floats, sleepy: NDArray[np.intp]) -> None:
    """Let what is so late that a radio may sleep meanwhile be later by its sleep; in place.

    Otherwise a third fault, past the radio at fault, explains what its own device did.
    """
    asleep = delay[:, :, sleepy]
    answered = asleep.any(axis=0)  # who was not stays at nothing to the last digit
    for i, least in enumerate(DELAYS_S):
        later = (least < DELAYS_S) & (least + DOZE_AT_ONCE_S >= DELAYS_S)
        if least < AWAKE_S or not later.any():
            continue
        slept = np.log(np.exp(asleep[later]).mean(axis=0))
        maybe = np.logaddexp(asleep[i] + np.log(1.0 - SLEPT), slept + np.log(SLEPT))
        delay[i][:, sleepy] = np.where(answered, maybe, np.float32(0.0))


def _waits(
    table: WindowTable, speaks: NDArray[np.bool_], base: Baseline, first: int, end: int
) -> NDArray[np.bool_]:
    """Ticks about which what is late is late unevenly, as what waits for a radio's beacon is."""
    begin, stop = max(0, first - UNEVEN_TICKS), min(table.ticks, end + UNEVEN_TICKS)
    cut = table.span(begin, stop)
    middle, high = cut.q50_s - base.loc50, cut.q80_s - base.loc80
    with np.errstate(invalid="ignore"):
        late = speaks[begin:stop] & (high > LEVELS_S[0][0])
    # The sum over what is late: the latest speak most, and one tick's chance little.
    tall = np.where(late, high, 0.0).sum(axis=1)
    apart = np.where(late, high - middle, 0.0).sum(axis=1)
    tall, apart, count = (summed_around(a, 2 * UNEVEN_TICKS + 1) for a in (tall, apart, late.sum(axis=1)))
    return np.asarray((apart > UNEVEN * tall) & (tall > BEACON_S * count))[first - begin : end - begin]


def _dozing(
    heard: NDArray[np.bool_], columns: ElementColumns, waits_of: Callable[[], NDArray[np.bool_]]
) -> Iterator[tuple[NDArray[np.intp], NDArray[np.bool_], bool]]:
    """Ticks, the elements that may doze in them, and whether one agent alone is heard there.

    waits_of: gives (ticks,), True where what is late may wait for a beacon: all that is past a lone radio may
    then. Asked only where there is one.
    """
    speaking = heard.astype(np.float32) @ columns.agents.T.astype(np.float32) > 0
    several = speaking.sum(axis=1) > 1
    if columns.dozes.any():
        yield np.flatnonzero(several), columns.dozes, False
    for agent, (more, past) in enumerate(zip(columns.dozes_alone, columns.past_radio, strict=True)):
        lone = speaking[:, agent] & ~several
        if not lone.any():
            continue
        waits = waits_of() if past.any() else np.zeros_like(lone)
        awake = columns.dozes | more
        for rows, dozes in ((lone & ~waits, awake), (lone & waits, awake | past)):
            if rows.any() and dozes.any():
                yield np.flatnonzero(rows), dozes, True


def _without_scans(cut: WindowTable) -> WindowTable:
    """The windows without the late answers of a radio that was away from its channel."""
    with np.errstate(invalid="ignore"):
        away = cut.tail_s * cut.answered > AWAY_S * cut.slow
    return replace(cut, slow=np.where(away, 0, cut.slow).astype(np.uint16))


def _tail_of(
    cut: WindowTable,
    heard: NDArray[np.bool_],
    base: Baseline,
    columns: ElementColumns,
    settings: Settings,
    *,
    shares: NDArray[np.float64] = TAILS,
    least: float = 0.0,
) -> Floats:
    """What the slow answers say of these shares; nothing where quantiles came from buckets, which count none.

    A device on radio answers some of them after its sleep on the best of radios, so that its slow ones say
    little; where it has none it clears.
    """
    if cut.coarse:
        return np.zeros((len(shares), *cut.sent.shape), dtype=np.float32)
    answered = np.where(heard, cut.answered, 0).astype(np.uint16)
    slow = np.where(heard, cut.slow, 0).astype(np.uint16)
    out = tail_evidence(answered, slow, base, settings, shares=shares, least=least)
    asleep = out[:, :, columns.to_sleepy]
    out[:, :, columns.to_sleepy] = -np.logaddexp(np.log(1.0 - ASLEEP) - asleep, np.log(ASLEEP))
    return out
