"""A window table out of figures that were counted where they were measured, each with its window's end."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.windows.table import TICK_NS, WindowTable, empty_table, whole_ticks
from whichhop.model import SessionKey
from whichhop.model.fleet import WindowMetric
from whichhop.model.units import NS_PER_S

Floats = NDArray[np.float64]
_COLUMNS = {
    WindowMetric.LOST: "lost",
    WindowMetric.LOST_OUT: "lost_out",
    WindowMetric.LOST_BACK: "lost_back",
    WindowMetric.SLOW: "slow",
    WindowMetric.MEDIAN: "q50_s",
    WindowMetric.P80: "q80_s",
    WindowMetric.EXCESS: "tail_s",
}
_MOST = 30_000.0
"""Packets of a window; two of these are in sixteen bits."""
_LONGEST_S = 10.0
"""No answer in time takes so long: whoever wrote more was no agent."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """of_sessions: by session and metric, rows of a window's end (Unix s) and a value. not_judged: the same
    by agent, over its sessions. kernel: by agent, whether the kernel times its packets."""

    of_sessions: Mapping[SessionKey, Mapping[WindowMetric, Floats]]
    not_judged: Mapping[str, Floats]
    kernel: Mapping[str, bool]


def table_of_written(keys: Sequence[SessionKey], written: Written, start_ns: int, end_ns: int) -> WindowTable:
    """The whole ticks of a span.

    What an agent did not judge is shared out evenly over its sessions, since only its sum is written: a
    machine that is busy or asleep is so for all of them.
    """
    start_ns, end_ns = whole_ticks(start_ns, end_ns)
    table = empty_table(keys, start_ns, (end_ns - start_ns) // TICK_NS)
    for column, key in enumerate(table.sessions):
        found = written.of_sessions.get(key, {})
        if WindowMetric.ANSWERED in found:
            tick, value = _placed(table, found[WindowMetric.ANSWERED])
            table.sent[tick, column] = np.clip(value, 0, _MOST)
        for metric, name in _COLUMNS.items():
            if metric in found:
                tick, value = _placed(table, found[metric])
                array = getattr(table, name)
                whole = array.dtype.kind == "u"
                array[tick, column] = np.clip(value, 0, _MOST if whole else _LONGEST_S)
        table.sent[:, column] += table.lost[:, column]
        # Nothing is slow that was not answered, nor lost one way that was not lost, whoever wrote it.
        np.minimum(table.lost_out[:, column], table.lost[:, column], out=table.lost_out[:, column])
        back = table.lost[:, column] - table.lost_out[:, column]
        np.minimum(table.lost_back[:, column], back, out=table.lost_back[:, column])
        np.minimum(table.slow[:, column], table.answered[:, column], out=table.slow[:, column])
    for agent, rows in written.not_judged.items():
        mine = [i for i, key in enumerate(table.sessions) if key.agent == agent]
        if mine:
            tick, value = _placed(table, rows)
            table.aside[np.ix_(tick, np.array(mine, dtype=np.int64))] = np.clip(
                np.rint(value / len(mine)), 0, _MOST
            )[:, None]
    stamps = {
        key: frozenset({"T1 T2 T3 T4" if written.kernel[key.agent] else ""})
        for key in table.sessions
        if key.agent in written.kernel
    }
    return WindowTable(**{name: getattr(table, name) for name in _FIELDS}, stamps=stamps)


_FIELDS = (
    *("sessions", "start_ns", "step_ns", "sent", "lost", "lost_out", "lost_back", "aside", "slow"),
    *("q50_s", "q80_s", "tail_s"),
)


def _placed(table: WindowTable, rows: Floats) -> tuple[NDArray[np.int64], Floats]:
    """The ticks whose ends are told, and their values; what lies outside the table is left out."""
    end_ns = np.rint(rows[:, 0]).astype(np.int64) * NS_PER_S
    tick = (end_ns - table.start_ns) // table.step_ns - 1
    inside = (tick >= 0) & (tick < table.ticks)
    return tick[inside], rows[inside, 1]
