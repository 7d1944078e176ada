"""A session's history as numpy columns, straight from the packed blocks; for the comparer, not the daemon."""

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from whichhop.model import ABSENT, SessionKey
from whichhop.store.read import FOREVER
from whichhop.store.store import Store
from whichhop.wire.packed import Block, Facts, take_block, unfold
from whichhop.wire.planes import Optional, Planes

Int64 = NDArray[np.int64]
ALL = ("rtt_ns", "out_ns", "queue_ns")


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionColumns:
    """One session's samples in the order of time, n of them, and its records' facts.

    sent_ns: (n,) int64. fate: (n,) uint8, see model.Fate. rtt_ns, out_ns, queue_ns: (n,) int64 with
    model.ABSENT where a sample has none; None when not asked for.
    """

    session: SessionKey
    facts: tuple[Facts, ...]
    sent_ns: Int64
    fate: NDArray[np.uint8]
    rtt_ns: Int64 | None
    out_ns: Int64 | None
    queue_ns: Int64 | None


def _values(column: Planes) -> Int64:
    wide = np.zeros((column.count, 8), np.uint8)
    if column.width:
        planes = np.frombuffer(column.planes, np.uint8).reshape(column.width, column.count)
        wide[:, : column.width] = planes.T
    # Sums wrap at 64 bits as the packing's do; what came in fits, so what comes out is right.
    values = wide.view("<i8").reshape(column.count).astype(np.int64, copy=False)
    with np.errstate(over="ignore"):
        values += np.int64(column.least)
        if column.stepwise:
            whole = np.empty(column.total, np.int64)
            whole[0] = column.first
            np.cumsum(values, out=whole[1:])
            whole[1:] += column.first
            values = whole
        if column.unit != 1:
            values *= np.int64(column.unit)
    return values


def _optional(column: Optional) -> Int64:
    if column.column is None:
        return np.full(column.total, ABSENT, np.int64)
    if column.there is None:
        return _values(column.column)
    values = np.full(column.total, ABSENT, np.int64)
    values[np.frombuffer(column.there, np.bool_)] = _values(column.column)
    return values


def session_columns(
    store: Store,
    key: SessionKey,
    from_minute: int = 0,
    to_minute: int = FOREVER,
    wanted: Collection[str] = ALL,
) -> SessionColumns:
    """The columns of one session; `to_minute` is not included. `wanted` names the delay columns to fill.

    A month of a packet a second is 2.6 million samples: 23 MB and 21 MB more for each delay column.
    """
    blocks: list[Block] = [take_block(unfold(packed)) for packed in store.blocks(key, from_minute, to_minute)]
    sent = _join([_values(b.sent_ns) for b in blocks])
    fate = np.frombuffer(b"".join(b.fates for b in blocks), np.uint8)
    rtt, out, queue = (
        _join([_optional(getattr(b, name)) for b in blocks]) if name in wanted else None for name in ALL
    )
    facts = tuple(f for b in blocks for f in b.facts)
    columns = SessionColumns(
        session=key, facts=facts, sent_ns=sent, fate=fate, rtt_ns=rtt, out_ns=out, queue_ns=queue
    )
    return _tidy(columns, from_minute, to_minute)


def _join(parts: list[Int64]) -> Int64:
    return np.concatenate(parts) if parts else np.empty(0, np.int64)


def _tidy(columns: SessionColumns, from_minute: int, to_minute: int) -> SessionColumns:
    """Drop minutes outside the span, put late records in their place; no copy when all is well."""
    minutes = np.array([f.minute for f in columns.facts], np.int64)
    inside = (minutes >= from_minute) & (minutes < to_minute)
    in_order = bool(np.all(np.diff(columns.sent_ns) >= 0)) and bool(np.all(np.diff(minutes) >= 0))
    if inside.all() and in_order:
        return columns
    counts = np.array([f.count for f in columns.facts], np.int64)
    chosen = np.flatnonzero(np.repeat(inside, counts))
    if not in_order:
        chosen = chosen[np.argsort(columns.sent_ns[chosen], kind="stable")]
    facts = sorted((f for f, kept in zip(columns.facts, inside, strict=True) if kept), key=lambda f: f.minute)

    def pick(values: Int64 | None) -> Int64 | None:
        return None if values is None else values[chosen]

    return SessionColumns(
        session=columns.session,
        facts=tuple(facts),
        sent_ns=columns.sent_ns[chosen],
        fate=columns.fate[chosen],
        rtt_ns=pick(columns.rtt_ns),
        out_ns=pick(columns.out_ns),
        queue_ns=pick(columns.queue_ns),
    )
