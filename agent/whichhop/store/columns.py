"""A session's history as numpy columns, straight from the packed blocks; for the comparer, not the daemon."""

import os
import sys
from array import array
from collections.abc import Callable, Collection, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import AbstractContextManager, nullcontext
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import TypeVar

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from whichhop.model import ABSENT, Fate, Record, SessionKey
from whichhop.store.read import FOREVER
from whichhop.store.store import Store
from whichhop.wire.byte_planes import BytePlanes, Optional
from whichhop.wire.packed import Block, RecordFacts, Times, plain_times, take_block, unfold

Int64 = NDArray[np.int64]
T = TypeVar("T")
ALL = ("rtt_ns", "out_ns", "queue_ns")
SPAWN_WORTH = 300_000
"""Session-minutes (a week of thirty sessions) from which a second process saves more than its start takes:
two processor seconds, most of them imports, where a packed session-minute is read in 17 us (measured)."""
OCTETS_A_MINUTE = 120
"""Of a store's file, for a session that sends each second; `tests/run bench store-read` prints its size."""


class SessionColumns(Struct, frozen=True, kw_only=True):
    """One session's samples in the order of time, n of them, and its records' facts (alike minutes as one).

    sent_ns: (n,) int64. fate: (n,) uint8, see model.Fate. rtt_ns, out_ns, queue_ns: (n,) int64 with
    model.ABSENT where a sample has none; None when not asked for.
    """

    session: SessionKey
    facts: tuple[RecordFacts, ...]
    sent_ns: Int64
    fate: NDArray[np.uint8]
    rtt_ns: Int64 | None
    out_ns: Int64 | None
    queue_ns: Int64 | None

    @property
    def stamps(self) -> frozenset[str]:
        """What records with an answer say of their stamps, as model.stamps.told_stamps has it."""
        ends = np.cumsum([f.times * f.count for f in self.facts], dtype=np.int64)
        answered = np.concatenate([[0], np.cumsum(self.fate == Fate.ANSWERED)])
        starts = np.concatenate([[0], ends[:-1]]) if ends.size else ends
        heard = answered[ends] > answered[starts]
        return frozenset(f.stamps for f, spoke in zip(self.facts, heard, strict=True) if spoke)


def _fill(out: Int64, column: BytePlanes) -> None:
    """Write a column's values into `out`, whose length is the column's total."""
    part = out[1:] if column.stepwise else out
    # Sums and products wrap at 64 bits as the packing's do; what came in fits, so what comes out is right.
    part[:] = 0
    octets = part.view(np.uint8).reshape(-1, 8)[:, :: 1 if sys.byteorder == "little" else -1]
    for place, plane in enumerate(np.frombuffer(column.planes, np.uint8).reshape(column.width, column.count)):
        octets[:, place] = plane
    part += np.int64(column.least)
    if column.stepwise:
        out[0] = column.first
        np.cumsum(out, out=out)
    if column.unit != 1:
        out *= np.int64(_wrapped(column.unit))


def _wrapped(value: int) -> int:
    """A number as the 64-bit signed one with the same low bits: a unit may be 2**63 itself."""
    return value - (1 << 64) if value >= 1 << 63 else value


def _fill_optional(out: Int64, column: Optional) -> None:
    if column.column is None:
        out[:] = ABSENT
    elif column.there is None or column.column.total == column.total:
        _fill(out, column.column)
    else:
        values = np.empty(column.column.total, np.int64)
        _fill(values, column.column)
        out[:] = ABSENT
        out[np.frombuffer(column.there, np.bool_)] = values


FEW = 256
"""Samples of a block below which plain Python is as fast as numpy's calls: a minute, not an hour."""


def _times(block: Block) -> Times:
    if len(block.fates) < FEW:
        return plain_times(block)
    every = np.empty((1 + len(ALL), len(block.fates)), np.int64)
    _fill(every[0], block.sent_ns)
    for values, column in zip(every[1:], (block.rtt_ns, block.out_ns, block.queue_ns), strict=True):
        _fill_optional(values, column)
    sent, rtt, out, queue = (array("q", row.tobytes()) for row in every)
    return sent, rtt, out, queue


def records_within(packed: bytes, from_minute: int, to_minute: int) -> Sequence[Record]:
    """As `read.unpacked_within`, of an hour in a quarter of the time."""
    return take_block(unfold(packed)).records(from_minute, to_minute, _times)


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
    # All are read before one is unpacked, so that damage in one leaves no reading open behind it.
    folded = list(store.blocks(key, from_minute, to_minute))
    blocks = [take_block(unfold(packed)) for packed in folded]
    total = sum(len(b.fates) for b in blocks)
    fate = np.frombuffer(b"".join(b.fates for b in blocks), np.uint8)
    sent = np.empty(total, np.int64)
    rtt, out, queue = (np.empty(total, np.int64) if name in wanted else None for name in ALL)
    at = 0
    for block in blocks:
        here = slice(at, at + len(block.fates))
        _fill(sent[here], block.sent_ns)
        for values, column in ((rtt, block.rtt_ns), (out, block.out_ns), (queue, block.queue_ns)):
            if values is not None:
                _fill_optional(values[here], column)
        at = here.stop
    facts = tuple(f for b in blocks for f in b.facts)
    columns = SessionColumns(
        session=key, facts=facts, sent_ns=sent, fate=fate, rtt_ns=rtt, out_ns=out, queue_ns=queue
    )
    return _tidy(columns, from_minute, to_minute)


def each_session(
    source: Path | Store,
    keys: Sequence[SessionKey],
    reduce: Callable[[SessionColumns], T],
    *,
    span: tuple[int, int] = (0, FOREVER),
    wanted: Collection[str] = ALL,
    processes: int | None = None,
) -> Iterator[T]:
    """`reduce` of each session's columns, in the order of `keys`; much is read on every processor.

    A month of a large home is 10 GB of columns, so they stay in the process that unpacked them and only what
    `reduce` makes of them comes back; with more than one process it must be a module's function. A store that
    is open already is read as it is where one process does the work.
    """
    path = source.db.path if isinstance(source, Store) else source
    many = min(processes or _processes(path, len(keys) * (span[1] - span[0])), len(keys))
    if many <= 1:
        with _open(source) as store:
            yield from (reduce(session_columns(store, key, *span, tuple(wanted))) for key in keys)
        return
    task = partial(_reduced, path, reduce, span, tuple(wanted))
    with ProcessPoolExecutor(many, mp_context=get_context("spawn")) as pool:
        yield from pool.map(task, keys)


def _processes(path: Path, session_minutes: int) -> int:
    """As many as are worth their start; a long span may hold little, and then the file is small."""
    there = path.stat().st_size // OCTETS_A_MINUTE
    return (os.cpu_count() or 1) if min(session_minutes, there) >= SPAWN_WORTH else 1


def _open(source: Path | Store) -> AbstractContextManager[Store]:
    return nullcontext(source) if isinstance(source, Store) else Store.open(source, read_only=True)


def _reduced(
    path: Path,
    reduce: Callable[[SessionColumns], T],
    span: tuple[int, int],
    wanted: tuple[str, ...],
    key: SessionKey,
) -> T:
    with Store.open(path, read_only=True) as store:
        return reduce(session_columns(store, key, *span, wanted))


def _tidy(columns: SessionColumns, from_minute: int, to_minute: int) -> SessionColumns:
    """Drop minutes outside the span, put late records in their place; no copy when all is well."""
    inside = all(f.minute >= from_minute and f.minute + f.times <= to_minute for f in columns.facts)
    in_order = bool(np.all(columns.sent_ns[1:] >= columns.sent_ns[:-1]))
    if inside and in_order:
        return columns
    minutes = np.concatenate(
        [np.repeat(np.arange(f.minute, f.minute + f.times), f.count) for f in columns.facts]
    )
    chosen = np.flatnonzero((minutes >= from_minute) & (minutes < to_minute))
    if not in_order:
        chosen = chosen[np.argsort(columns.sent_ns[chosen], kind="stable")]

    def pick(values: Int64 | None) -> Int64 | None:
        return None if values is None else values[chosen]

    trimmed = [_trimmed(f, from_minute, to_minute) for f in columns.facts]
    return SessionColumns(
        session=columns.session,
        facts=tuple(sorted((f for f in trimmed if f.times > 0), key=lambda f: f.minute)),
        sent_ns=columns.sent_ns[chosen],
        fate=columns.fate[chosen],
        rtt_ns=pick(columns.rtt_ns),
        out_ns=pick(columns.out_ns),
        queue_ns=pick(columns.queue_ns),
    )


def _trimmed(fact: RecordFacts, from_minute: int, to_minute: int) -> RecordFacts:
    first = max(fact.minute, from_minute)
    return replace(fact, minute=first, times=min(fact.minute + fact.times, to_minute) - first)
