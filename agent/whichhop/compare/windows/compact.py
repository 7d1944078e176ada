"""A day's windows in few octets and back to the last bit; windows out of figures counted elsewhere. Pure."""

import math
import zlib
from collections.abc import Mapping, Sequence
from typing import Any

import msgspec
import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from whichhop.compare.windows.table import COUNTS, QUANTILES, TICK_NS, WindowTable, empty_table, whole_ticks
from whichhop.compare.windows.tally import Tally
from whichhop.model import SessionKey
from whichhop.model.fleet import WindowMetric
from whichhop.model.units import NS_PER_S

LEVEL = 1
"""Of zlib: more takes several times as long for a tenth less."""
WORTH = 0.8
"""Octets that shrink by less than a fifth stay as they are."""
UNREADABLE = (
    msgspec.MsgspecError,
    zlib.error,
    ValueError,
    TypeError,
    IndexError,
    KeyError,
    OverflowError,
    MemoryError,
)
"""What octets give that nobody wrote in this form."""

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


class Packed(msgspec.Struct, frozen=True):
    """An array as it is kept; dtype: of the values inside. planes: each octet of all values side by side,
    squeezed where that is worth it and as long as there are values where not."""

    dtype: str
    planes: list[bytes]


class _Form(msgspec.Struct, frozen=True):
    sessions: list[SessionKey]
    start_ns: int
    step_ns: int
    ticks: int
    coarse: bool
    stamps: list[tuple[SessionKey, list[str]]]
    ahead_s: list[tuple[SessionKey, float]]
    arrays: list[Packed]
    tallies: list[Tally]


def packed(values: NDArray[Any]) -> Packed:
    """An array's values: counts in the least octets that hold them, numbers by the place of their octets.

    The lower octets of a delay are noise: squeezing them gains nothing and costs most of the time.
    """
    small = values
    if values.dtype == np.uint16 and (not values.size or values.max() < 256):
        small = values.astype(np.uint8)
    flat = np.ascontiguousarray(small).reshape(-1).view(np.uint8).reshape(-1, small.dtype.itemsize)
    planes = []
    for place in range(small.dtype.itemsize):
        plain = flat[:, place].tobytes()
        squeezed = zlib.compress(plain, LEVEL)
        planes.append(squeezed if len(squeezed) < WORTH * len(plain) else plain)
    return Packed(dtype=small.dtype.str, planes=planes)


def unpacked(held: Packed, dtype: Any, shape: tuple[int, ...]) -> NDArray[Any]:
    """The same values again, as many as the shape has."""
    small = np.dtype(held.dtype)
    if small.kind not in "uf" or len(held.planes) != small.itemsize:
        raise ValueError(held.dtype)
    count = math.prod(shape)
    flat = np.empty((count, small.itemsize), np.uint8)
    for place, octets in enumerate(held.planes):
        flat[:, place] = np.frombuffer(octets if len(octets) == count else zlib.decompress(octets), np.uint8)
    return np.asarray(flat.reshape(-1).view(small).reshape(shape).astype(dtype, copy=False))


def folded(table: WindowTable, tallies: Sequence[Tally]) -> bytes:
    """Everything of a table but the source of its seconds."""
    form = _Form(
        sessions=list(table.sessions),
        start_ns=table.start_ns,
        step_ns=table.step_ns,
        ticks=table.ticks,
        coarse=table.coarse,
        stamps=[(key, sorted(groups)) for key, groups in table.stamps.items()],
        ahead_s=list(table.ahead_s.items()),
        arrays=[packed(getattr(table, name)) for name in (*COUNTS, *QUANTILES)],
        tallies=list(tallies),
    )
    return msgspec.msgpack.encode(form)


def unfolded(octets: bytes) -> tuple[WindowTable, tuple[Tally, ...]]:
    """The table and tallies again; one of UNREADABLE where these are no such octets."""
    form = msgspec.msgpack.decode(octets, type=_Form)
    shape = (form.ticks, len(form.sessions))
    empty = empty_table(form.sessions, form.start_ns, 0, form.step_ns)
    arrays: dict[str, Any] = {
        name: unpacked(held, getattr(empty, name).dtype, shape)
        for name, held in zip((*COUNTS, *QUANTILES), form.arrays, strict=True)
    }
    table = WindowTable(
        sessions=tuple(form.sessions),
        start_ns=form.start_ns,
        step_ns=form.step_ns,
        coarse=form.coarse,
        stamps={key: frozenset(groups) for key, groups in form.stamps},
        ahead_s=dict(form.ahead_s),
        **arrays,
    )
    return table, tuple(form.tallies)


class Written(Struct, frozen=True, kw_only=True):
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
