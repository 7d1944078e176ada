"""Fills a window table from records or a server's coarser histograms; counts records by the second."""

from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from whichhop.compare.windows.seconds import PATIENCE_NS, Seconds, empty_seconds
from whichhop.compare.windows.table import (
    LEAST_ANSWERS,
    SLOW_S,
    TAIL_CAP_S,
    TICK_NS,
    WindowTable,
    empty_table,
)
from whichhop.model import Fate, Record, SessionKey
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S, minute_of

PIECE_NS = 4 * 3600 * NS_PER_S
SELDOM_NS = {1: NS_PER_MINUTE, 2: NS_PER_MINUTE // 2}
"""Windows for probes of which ten seconds hold one or two: six of a probe each ten or each five seconds, with
which a quantile has its full weight."""


def fitting_step(table: WindowTable) -> int:
    """How long windows must be for most of these sessions to have a quantile in each, ns.

    By the packets that the middle session sent in those windows in which it sent any: what was asleep for
    long did not ask seldom. table: cut in windows of TICK_NS.
    """
    each = [np.median(sent[sent > 0]) for sent in table.sent.T if sent.any()]
    return SELDOM_NS.get(int(np.median(each)), TICK_NS) if each else TICK_NS


class Cutter:
    """Fills one table piece by piece, so that a month of records need never be in memory at once."""

    def __init__(
        self, sessions: Sequence[SessionKey], *, start_ns: int, end_ns: int, step_ns: int = TICK_NS
    ) -> None:
        if NS_PER_MINUTE % step_ns and step_ns % NS_PER_MINUTE:
            raise ValueError(f"a tick of {step_ns} ns neither divides a minute nor is whole minutes")
        ticks = max(0, -(-(end_ns - start_ns) // step_ns))
        self.table = empty_table(sessions, start_ns, ticks, step_ns)
        self._place = {key: i for i, key in enumerate(sessions)}

    @classmethod
    def into(cls, table: WindowTable) -> "Cutter":
        """A cutter that goes on filling a table."""
        cutter = cls((), start_ns=table.start_ns, end_ns=table.start_ns, step_ns=table.step_ns)
        cutter.table = table
        cutter._place = {key: i for i, key in enumerate(table.sessions)}
        return cutter

    def add(self, records: Iterable[Record]) -> None:
        """Count these records in; those of unknown sessions or outside the span are passed over.

        Give whole minutes: a tick whose samples come in two calls keeps the quantiles of the larger part.
        """
        by_session: dict[int, list[Record]] = {}
        for record in records:
            place = self._place.get(record.session)
            if place is not None:
                by_session.setdefault(place, []).append(record)
        for place, group in by_session.items():
            sent = _joined([r.samples.sent_ns for r in group], np.int64)
            fate = _joined([r.samples.fate for r in group], np.uint8)
            rtt = _joined([r.samples.rtt_ns for r in group], np.int64)
            self._count(place, sent, fate, rtt)

    def add_columns(
        self, key: SessionKey, sent_ns: NDArray[Any], fate: NDArray[Any], rtt_ns: NDArray[Any]
    ) -> None:
        """Count one session's samples in, given side by side in the order of time; see `add`."""
        place = self._place.get(key)
        if place is None or not sent_ns.size:
            return
        # Sorting many short pieces is several times faster than one long one.
        start, step = self.table.start_ns, PIECE_NS - PIECE_NS % self.table.step_ns
        edges = np.arange(
            start + ((int(sent_ns[0]) - start) // step) * step, int(sent_ns[-1]) + step + 1, step
        )
        cuts = np.searchsorted(sent_ns, edges)
        for first, end in pairwise(cuts.tolist()):
            if first < end:
                self._count(place, sent_ns[first:end], fate[first:end], rtt_ns[first:end])

    def _count(self, place: int, sent_ns: NDArray[Any], fate: NDArray[Any], rtt_ns: NDArray[Any]) -> None:
        table = self.table
        tick = (sent_ns - table.start_ns) // table.step_ns
        inside = (tick >= 0) & (tick < table.ticks)
        tick, fate, rtt_ns = tick[inside], fate[inside], rtt_ns[inside]
        if not tick.size:
            return
        first = int(tick.min())
        tick -= first
        span = slice(first, first + int(tick.max()) + 1)
        length = span.stop - span.start
        answered = fate == Fate.ANSWERED
        # Most packets are answered: only the others are looked at one by one.
        odd_tick, odd = tick[~answered], fate[~answered]
        lost = (odd >= Fate.LATE) & (odd <= Fate.LOST_BACK)
        unsaid = odd >= Fate.NOT_SENT
        # A refusal is the target's doing: it says nothing of the path, and nothing against the agent either.
        aside = unsaid & (odd < Fate.REFUSED_KEY)
        counts = {
            "sent": np.bincount(tick, minlength=length) - np.bincount(odd_tick[unsaid], minlength=length),
            "lost": np.bincount(odd_tick[lost], minlength=length),
            "lost_out": np.bincount(odd_tick[odd == Fate.LOST_OUT], minlength=length),
            "lost_back": np.bincount(odd_tick[odd == Fate.LOST_BACK], minlength=length),
            "aside": np.bincount(odd_tick[aside], minlength=length),
        }
        for name, counted in counts.items():
            getattr(table, name)[span, place] += np.minimum(counted, 65535).astype(np.uint16)
        q50, q80, tail, slow, count = quantiles_by_tick(tick[answered], rtt_ns[answered], length)
        table.slow[span, place] += np.minimum(slow, 65535).astype(np.uint16)
        held = table.sent[span, place] - table.lost[span, place]
        better = (count >= LEAST_ANSWERS) & ((2 * count >= held) | np.isnan(table.q50_s[span, place]))
        table.q50_s[span, place][better] = q50[better] * 1e-9
        table.q80_s[span, place][better] = q80[better] * 1e-9
        table.tail_s[span, place][better] = tail[better] * 1e-9


def _joined(arrays: list[Any], dtype: type) -> NDArray[Any]:
    return np.concatenate([np.frombuffer(a, dtype=dtype) for a in arrays if len(a)] or [np.empty(0, dtype)])


def quantiles_by_tick(
    tick: NDArray[Any], value: NDArray[Any], ticks: int
) -> tuple[
    NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.int64], NDArray[np.int64]
]:
    """Per tick, of values in ns: the 50 % and 80 % quantiles, the mean excess over the former, how many lie
    SLOW_S above it, and the count.

    Quantiles are linear between order statistics (numpy's default, type 7 of Hyndman and Fan 1996); NaN where
    empty.
    """
    value = _in_order(tick, value)
    count = np.bincount(tick, minlength=ticks)
    begin = np.cumsum(count) - count
    out = []
    for share in (0.5, 0.8):
        place = share * np.maximum(count - 1, 0)
        low = np.floor(place).astype(np.int64)
        high = np.minimum(low + 1, np.maximum(count - 1, 0))
        found = np.full(ticks, np.nan)
        there = count > 0
        low_value = value[(begin + low)[there]]
        high_value = value[(begin + high)[there]]
        found[there] = low_value + (place - low)[there] * (high_value - low_value)
        out.append(found)
    tail, slow = _above(value, out[0], count)
    return out[0], out[1], tail, slow, count


def _above(
    value: NDArray[np.float64], middle: NDArray[np.float64], count: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Of values sorted by tick: each tick's mean excess over its middle, and how many are slow."""
    tail, there = np.full(count.size, np.nan), count > 0
    if not value.size:
        return tail, np.zeros(count.size, dtype=np.int64)
    over = value - np.repeat(middle, count)
    late = np.flatnonzero(over >= SLOW_S * 1e9)
    np.clip(over, 0.0, TAIL_CAP_S * 1e9, out=over)
    begin = (np.cumsum(count) - count)[there]
    tail[there] = np.add.reduceat(over, begin) / count[there]
    tick_of = np.searchsorted(begin, late, side="right") - 1
    slow = np.zeros(count.size, dtype=np.int64)
    slow[there] = np.bincount(tick_of, minlength=begin.size)
    return tail, slow


SPREAD_BITS = 44
"""Room for a tick's values in one sorting key: 4.8 hours in ns, while 2**19 ticks are 60 days."""


def _in_order(tick: NDArray[Any], value: NDArray[Any]) -> NDArray[np.float64]:
    """The values sorted by tick, then by size.

    One sort of tick and value in a single number is several times faster than sorting by two keys; where the
    two do not fit in 63 bits, the slower way is taken.
    """
    if not value.size:
        return value.astype(np.float64)
    least = int(value.min())
    fits = int(value.max()) - least < 1 << SPREAD_BITS and int(tick.max()) < 1 << (63 - SPREAD_BITS)
    if not fits or value.dtype.kind != "i":
        return np.asarray(value[np.lexsort((value, tick))], np.float64)
    key = tick.astype(np.int64) << SPREAD_BITS
    key |= value - least
    key.sort()
    key &= (1 << SPREAD_BITS) - 1
    key += least
    return key.astype(np.float64)


def table_of_histograms(
    sessions: Sequence[SessionKey],
    *,
    start_ns: int,
    step_ns: int,
    bounds_s: Sequence[float],
    buckets: NDArray[Any],
    lost: NDArray[Any],
    lost_out: NDArray[Any] | None = None,
    lost_back: NDArray[Any] | None = None,
    aside: NDArray[Any] | None = None,
) -> WindowTable:
    """A coarse table from histogram buckets of round trips, as a metrics server keeps them.

    bounds_s: upper bounds of the buckets in seconds, rising, without the last infinite one.
    buckets: (ticks, sessions, len(bounds_s) + 1) packets per bucket, not cumulated. lost, and of them
    lost_out and lost_back, and aside: (ticks, sessions).
    A quantile is taken as linear inside its bucket; one in the infinite bucket is its lower bound.
    """
    ticks = buckets.shape[0]
    table = empty_table(sessions, start_ns, ticks, step_ns)
    answered = buckets.sum(axis=-1)
    table.sent[:] = np.minimum(answered + lost, 65535)
    table.lost[:] = np.minimum(lost, 65535)
    for name, counted in (("lost_out", lost_out), ("lost_back", lost_back), ("aside", aside)):
        if counted is not None:
            getattr(table, name)[:] = np.minimum(counted, 65535)
    edges = np.concatenate([[0.0], np.asarray(bounds_s, dtype=float), [bounds_s[-1]]])
    reached = np.cumsum(buckets, axis=-1)
    for share, out in ((0.5, table.q50_s), (0.8, table.q80_s)):
        wanted = share * answered
        which = np.minimum((reached < wanted[..., None]).sum(axis=-1), buckets.shape[-1] - 1)
        inside = np.take_along_axis(buckets, which[..., None], axis=-1)[..., 0]
        before = np.take_along_axis(reached, which[..., None], axis=-1)[..., 0] - inside
        part = (wanted - before) / np.maximum(inside, 1)
        value = edges[which] + part * (edges[which + 1] - edges[which])
        out[:] = np.where(answered >= LEAST_ANSWERS, value, np.nan)
    _coarse_tails(table, edges, buckets, answered)
    return WindowTable(
        sessions=table.sessions,
        start_ns=start_ns,
        step_ns=step_ns,
        sent=table.sent,
        lost=table.lost,
        lost_out=table.lost_out,
        lost_back=table.lost_back,
        aside=table.aside,
        slow=table.slow,
        q50_s=table.q50_s,
        q80_s=table.q80_s,
        tail_s=table.tail_s,
        coarse=True,
    )


def _coarse_tails(
    table: WindowTable, edges: NDArray[np.float64], buckets: NDArray[Any], answered: NDArray[Any]
) -> None:
    """Tails and slow answers from buckets, whose packets are taken to lie evenly inside: bucket by bucket,
    since all at once would be many times the table."""
    tail = np.zeros(answered.shape)
    slow = np.zeros(answered.shape)
    middle = table.q50_s.astype(np.float64)
    for i in range(buckets.shape[-1]):
        low, high = np.maximum(edges[i], middle), max(float(edges[i + 1]), float(edges[i]))
        width = max(high - float(edges[i]), 1e-12)
        above = (
            np.clip((high - low) / width, 0.0, 1.0) if high > edges[i] else np.where(middle < high, 1.0, 0.0)
        )
        excess = np.clip(0.5 * (low + high) - middle, 0.0, TAIL_CAP_S)
        tail += buckets[..., i] * above * excess
        start = np.maximum(edges[i], middle + SLOW_S)
        part = np.clip((high - start) / width, 0.0, 1.0)
        slow += buckets[..., i] * (part if high > edges[i] else np.where(middle + SLOW_S < high, 1.0, 0.0))
    known = answered >= LEAST_ANSWERS
    table.tail_s[:] = np.where(known, tail / np.maximum(answered, 1), np.nan)
    table.slow[:] = np.where(known, np.minimum(np.rint(slow), 65535), 0)


class RecordSeconds(Struct, frozen=True):
    """A `SecondsSource` over records in memory, by session."""

    by_key: Mapping[SessionKey, Sequence[Record]]

    def __call__(self, start_ns: int, end_ns: int) -> Seconds:
        """The seconds of a span."""
        first, end = minute_of(start_ns), minute_of(end_ns - 1)
        some = (r for held in self.by_key.values() for r in held if first <= r.minute <= end)
        return seconds_of(some, list(self.by_key), start_ns, end_ns)


def seconds_of(records: Iterable[Record], keys: Sequence[SessionKey], start_ns: int, end_ns: int) -> Seconds:
    """Count records into the whole seconds of a span; those of other sessions are passed over."""
    out = empty_seconds(keys, start_ns, max(0, (end_ns - start_ns) // NS_PER_S))
    place = {key: i for i, key in enumerate(keys)}
    held: dict[int, list[Record]] = {}
    for record in records:
        if record.session in place:
            held.setdefault(place[record.session], []).append(record)
    names = {"sent_ns": np.int64, "fate": np.uint8, "rtt_ns": np.int64}
    count_in(
        out,
        {
            j: tuple(_joined([getattr(r.samples, n) for r in group], kind) for n, kind in names.items())
            for j, group in held.items()
        },
    )
    return out


def count_in(out: Seconds, samples: Mapping[int, tuple[NDArray[Any], ...]]) -> None:
    """Count the samples of some sessions into their columns; each second of one is to be counted once.

    samples: by the session's place, when sent, fates and round trips; all at once, for of a minute a call
    costs more than its work.
    """
    if not samples:
        return
    places, width = list(samples), len(samples)
    sent_ns, fate, rtt_ns = (np.concatenate(column) for column in zip(*samples.values(), strict=True))
    column = np.repeat(np.arange(width), [len(sent) for sent, *_ in samples.values()])
    second = (sent_ns - out.start_ns) // NS_PER_S
    inside = (second >= 0) & (second < out.count) & (fate < Fate.NOT_SENT)
    second, column, fate, rtt_ns = (
        second[inside].astype(np.int64),
        column[inside],
        fate[inside],
        rtt_ns[inside],
    )
    if not second.size:
        return
    first = int(second.min())
    span = slice(first, int(second.max()) + 1)
    cell, length = (second - first) * width + column, (span.stop - first) * width
    answered = (fate == Fate.ANSWERED) & (rtt_ns <= PATIENCE_NS)
    for name, which in (("sent", cell), ("silent", cell[~answered])):
        counted = np.bincount(which, minlength=length).reshape(-1, width)
        getattr(out, name)[span, places] += np.minimum(counted, 255).astype(np.uint8)
    middle = quantiles_by_tick(cell[answered], rtt_ns[answered].astype(np.int64), length)[0]
    middle = middle.reshape(-1, width)
    held = out.rtt_s[span, places]
    out.rtt_s[span, places] = np.where(np.isfinite(middle), middle * 1e-9, held)
