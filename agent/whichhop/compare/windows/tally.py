"""One session's samples of a span as arrays, their digest, and the window table counted from them."""

import hashlib
from collections.abc import Iterable, Sequence
from itertools import pairwise

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from whichhop.compare.windows.filling import Cutter
from whichhop.compare.windows.table import COUNTS, QUANTILES, TICK_NS, WindowTable
from whichhop.model import Fate, SessionKey
from whichhop.model.units import NS_PER_S

Int64 = NDArray[np.int64]
PIECE_NS = 4 * 3600 * NS_PER_S


class Counted(Struct, frozen=True, kw_only=True):
    """One session's samples in the order of time, n each; delays in ns with model.ABSENT where none."""

    session: SessionKey
    sent_ns: Int64
    fate: NDArray[np.uint8]
    rtt_ns: Int64
    out_ns: Int64
    queue_ns: Int64
    duplicates: int
    reordered: int
    stamps: tuple[str, ...]
    clock_error_ns: int | None


class Tally(Struct, frozen=True, kw_only=True):
    """What is kept of a session once its samples are counted into the table."""

    session: SessionKey
    samples: int
    aside: int
    duplicates: int
    reordered: int
    stamps: tuple[str, ...]
    clock_error_ns: int | None
    digest: str


def within(counted: Counted, start_ns: int, end_ns: int) -> Counted:
    """Only the samples sent from `start_ns` on and before `end_ns`."""
    first, end = np.searchsorted(counted.sent_ns, [start_ns, end_ns])
    cut = slice(int(first), int(end))
    return Counted(
        session=counted.session,
        sent_ns=counted.sent_ns[cut],
        fate=counted.fate[cut],
        rtt_ns=counted.rtt_ns[cut],
        out_ns=counted.out_ns[cut],
        queue_ns=counted.queue_ns[cut],
        duplicates=counted.duplicates,
        reordered=counted.reordered,
        stamps=counted.stamps,
        clock_error_ns=counted.clock_error_ns,
    )


def digest_of(counted: Counted) -> str:
    """SHA-256 of the samples, in hexadecimal: five columns one after the other, after their number.

    Each column is little-endian: send time, round trip, way out, egress queue (8 octets each, ns; the
    smallest 64-bit number where there is none), then the fates (1 octet). Names are left out, so that a
    report whose names were replaced can be checked too.
    """
    hashed = hashlib.sha256(b"whichhop samples 1\0")
    hashed.update(len(counted.sent_ns).to_bytes(8, "little"))
    for column in (counted.sent_ns, counted.rtt_ns, counted.out_ns, counted.queue_ns):
        hashed.update(np.ascontiguousarray(column, dtype="<i8").data)
    hashed.update(np.ascontiguousarray(counted.fate, dtype=np.uint8).data)
    return hashed.hexdigest()


def tally_of(counted: Counted) -> Tally:
    """Totals and digest of one session's samples."""
    return Tally(
        session=counted.session,
        samples=len(counted.sent_ns),
        aside=int((counted.fate >= Fate.NOT_SENT).sum()),
        duplicates=counted.duplicates,
        reordered=counted.reordered,
        stamps=counted.stamps,
        clock_error_ns=counted.clock_error_ns,
        digest=digest_of(counted),
    )


def tally_of_days(parts: Sequence[Tally]) -> Tally:
    """What one session's days, at least one, come to in the order of time.

    The digest of a span of days is the SHA-256 of its UTC days' own digests, those of days without a sample
    left out: it is worked out without all samples at hand.
    """
    hashed = hashlib.sha256(b"whichhop samples 2\0")
    for part in parts:
        if part.samples:
            hashed.update(bytes.fromhex(part.digest))
    errors = [p.clock_error_ns for p in parts if p.clock_error_ns is not None]
    return Tally(
        session=parts[0].session,
        samples=sum(p.samples for p in parts),
        aside=sum(p.aside for p in parts),
        duplicates=sum(p.duplicates for p in parts),
        reordered=sum(p.reordered for p in parts),
        stamps=tuple(sorted({stamp for p in parts for stamp in p.stamps})),
        clock_error_ns=max(errors, default=None),
        digest=hashed.hexdigest(),
    )


class Reduced(Struct, frozen=True, kw_only=True):
    """What is left of a session's samples: its tally and its column of the table, a tenth of their size."""

    tally: Tally
    table: WindowTable


def reduced(counted: Counted, start_ns: int, end_ns: int, step_ns: int = TICK_NS) -> Reduced:
    """Count one session's samples; start_ns, end_ns: whole ticks. step_ns: how long the windows are."""
    cutter = Cutter((counted.session,), start_ns=start_ns, end_ns=end_ns, step_ns=step_ns)
    inside = within(counted, start_ns, end_ns)
    if len(inside.sent_ns):
        edges = np.arange(start_ns, int(inside.sent_ns[-1]) + PIECE_NS + 1, PIECE_NS)
        # Pieces of whole ticks: sorting many short ones is several times faster than one long one.
        for first, end in pairwise(np.searchsorted(inside.sent_ns, edges).tolist()):
            part = slice(first, end)
            cutter.add_columns(counted.session, inside.sent_ns[part], inside.fate[part], inside.rtt_ns[part])
    return Reduced(tally=tally_of(inside), table=cutter.table)


def side_by_side(
    keys: Iterable[SessionKey],
    parts: Iterable[Reduced],
    *,
    start_ns: int,
    end_ns: int,
    step_ns: int = TICK_NS,
) -> tuple[WindowTable, tuple[Tally, ...]]:
    """The table of a span and each session's tally; one part is in memory beside the table.

    keys: the table's columns; parts: at most one a key, in any order, all of this span and cut in this step.
    """
    table = Cutter(tuple(keys), start_ns=start_ns, end_ns=end_ns, step_ns=step_ns).table
    place = {key: i for i, key in enumerate(table.sessions)}
    tallies = []
    for part in parts:
        tallies.append(part.tally)
        for name in (*COUNTS, *QUANTILES):
            getattr(table, name)[:, place[part.tally.session]] = getattr(part.table, name)[:, 0]
    return table, tuple(tallies)
