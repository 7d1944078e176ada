"""A run on paper as the comparer's window table, straight from the drawn packets: days in seconds."""

from statistics import median

import numpy as np
import numpy.typing as npt
from msgspec.structs import replace

from paper_home.flight import NO_SAMPLE, Packets
from paper_home.paper import PaperRun
from whichhop.compare.windows.clocks import ahead_s
from whichhop.compare.windows.table import (
    LEAST_ANSWERS,
    SLOW_S,
    TAIL_CAP_S,
    TICK_NS,
    WindowTable,
    empty_table,
)
from whichhop.model import ABSENT, Fate, SessionKey
from whichhop.model.units import NS_PER_S


def table_of_run(run: PaperRun, start_ns: int) -> WindowTable:
    """The table of a whole run; `start_ns`, a whole tick, is when the scenario's second 0 was.

    ValueError when a session's packets do not divide a tick evenly.
    """
    keys = [s.key for s in run.sessions]
    ticks = int(run.scenario.seconds * NS_PER_S) // TICK_NS
    table = empty_table(keys, start_ns, ticks)
    ahead: dict[SessionKey, list[float]] = {}
    for chunk in run.chunks():
        for packets in chunk:
            _count(table, packets)
            for i, row in enumerate(packets.rows):
                if (found := ahead_s(_ns(packets.out_s[i]), _ns(packets.rtt_s[i]))) is not None:
                    ahead.setdefault(keys[row], []).append(found)
    return replace(table, ahead_s={key: median(each) for key, each in ahead.items()})


def _ns(seconds: npt.NDArray[np.float32]) -> npt.NDArray[np.int64]:
    known = np.isfinite(seconds)
    return np.where(known, np.where(known, seconds, 0.0).astype(np.float64) * 1e9, ABSENT).astype(np.int64)


def _count(table: WindowTable, packets: Packets) -> None:
    step_s = table.step_ns / NS_PER_S
    each = round(step_s / packets.interval_s)
    if abs(each * packets.interval_s - step_s) > 1e-9:
        raise ValueError(f"an interval of {packets.interval_s} s does not divide a tick of {step_s} s")
    first = round(packets.start_s / step_s)
    ticks = min(packets.fate.shape[1] // each, table.ticks - first)
    # Row r, tick t, packet p of the tick; a session's phase is below its interval, so none straddles.
    fate = packets.fate[:, : ticks * each].reshape(len(packets.rows), ticks, each)
    answered = fate == Fate.ANSWERED
    lost = (fate >= Fate.LATE) & (fate <= Fate.LOST_BACK)
    aside = (fate >= Fate.NOT_SENT) & (fate != NO_SAMPLE)
    place = np.ix_(np.arange(first, first + ticks), packets.rows)
    for name, chosen in (
        ("sent", answered | lost),
        ("lost", lost),
        ("lost_out", fate == Fate.LOST_OUT),
        ("lost_back", fate == Fate.LOST_BACK),
        ("aside", aside),
    ):
        getattr(table, name)[place] = chosen.sum(axis=2, dtype=np.uint16).T
    rtt = packets.rtt_s[:, : ticks * each].reshape(fate.shape)
    ordered = np.sort(np.where(answered, rtt, np.float32(np.inf)), axis=2)
    count = answered.sum(axis=2)
    for name, share in (("q50_s", 0.5), ("q80_s", 0.8)):
        getattr(table, name)[place] = _quantile(ordered, count, share).T
    over = np.where(answered, rtt - _quantile(ordered, count, 0.5)[..., None], np.float32(np.nan))
    table.slow[place] = (over >= SLOW_S).sum(axis=2, dtype=np.uint16).T
    summed = np.nansum(np.clip(over, 0, TAIL_CAP_S), axis=2)
    table.tail_s[place] = np.where(count >= LEAST_ANSWERS, summed / np.maximum(count, 1), np.nan).T


def _quantile(
    ordered: npt.NDArray[np.float32], count: npt.NDArray[np.int64], share: float
) -> npt.NDArray[np.float32]:
    """Linear between order statistics (type 7), of the first `count` values; nan under LEAST_ANSWERS."""
    place = share * np.maximum(count - 1, 0)
    low = np.floor(place).astype(np.int64)
    high = np.minimum(low + 1, np.maximum(count - 1, 0))
    below = np.take_along_axis(ordered, low[..., None], axis=2)[..., 0]
    above = np.take_along_axis(ordered, high[..., None], axis=2)[..., 0]
    enough = count >= LEAST_ANSWERS
    part = np.where(enough, place - low, 0.0)
    below, above = np.where(enough, below, np.nan), np.where(enough, above, np.nan)
    found: npt.NDArray[np.float32] = (below + part * (above - below)).astype(np.float32)
    return found
