"""The SHA-256 chain through an agent's records: each link is taken over the one before it and one record.

Whoever wrote down a head can later tell whether any record up to it was changed, removed or put in between.
The links are taken over the records' canonical bytes, so packing an hour together leaves the chain whole.
"""

import hashlib
import heapq
from collections.abc import Iterator
from operator import attrgetter

from msgspec import Struct

from whichhop.errors import DataError
from whichhop.store.db import Database, Row
from whichhop.wire.byte_planes import Reader, put_unsigned
from whichhop.wire.packed import MAX_RECORDS, canonical, unfold, unpack


class Chain(Struct, frozen=True, kw_only=True):
    """Where one chain stands. `origin` tells it from an earlier chain of the same agent."""

    agent: str
    origin: bytes
    own: bool
    last_seq: int
    head: bytes
    readings_seq: int


class ChainReport(Struct, frozen=True, kw_only=True):
    """What a walk along one chain found; `trouble` is empty when every link holds.

    first_seq: 1, or more when retention dropped the beginning (0 when no record is left).
    gaps: places a collected chain skips because its owner had dropped them.
    """

    agent: str
    origin: bytes
    records: int
    first_seq: int
    last_seq: int
    head: bytes
    gaps: int
    trouble: str


class KeptRecord(Struct, frozen=True, kw_only=True):
    """One record's place in its chain.

    before: the stored link it builds on; None inside an hour's block, where it is counted on.
    packed: its packed bytes where they are stored as such; None inside an hour's block.
    """

    seq: int
    body: bytes
    before: bytes | None
    packed: bytes | None


def genesis(agent: str, origin: bytes) -> bytes:
    """The link that the first record builds on."""
    return hashlib.sha256(b"whichhop chain 1\0" + origin + agent.encode()).digest()


def link(before: bytes, body: bytes) -> bytes:
    """The link after a record with these canonical bytes."""
    return hashlib.sha256(before + body).digest()


def pack_seqs(seqs: list[int]) -> bytes:
    """Rising numbers as runs of (step, times): a steady agent's hour takes two or three bytes."""
    out = bytearray()
    at, place = 0, 0
    while place < len(seqs):
        step = seqs[place] - at
        times = 1
        while place + times < len(seqs) and seqs[place + times] - seqs[place + times - 1] == step:
            times += 1
        put_unsigned(out, step)
        put_unsigned(out, times)
        at, place = seqs[place + times - 1], place + times
    return bytes(out)


def unpack_seqs(data: bytes) -> list[int]:
    """The numbers that `pack_seqs` was given."""
    reader, at = Reader(data), 0
    out: list[int] = []
    while reader.at < len(data):
        step, times = reader.unsigned(), reader.unsigned()
        if len(out) + times > MAX_RECORDS:
            raise DataError(f"packed record is damaged: more than {MAX_RECORDS} places in one hour")
        for _ in range(times):
            at += step
            out.append(at)
    return out


def open_hour(row: Row) -> Iterator[KeptRecord]:
    """The records of an `hour` row (seqs, before, body), in the order of the chain."""
    seqs, before, body = row
    records = unpack(body)
    places = unpack_seqs(seqs)
    if len(places) != len(records):
        raise DataError(f"an hour's block holds {len(records)} records for {len(places)} places")
    for place, (seq, record) in enumerate(zip(places, records, strict=True)):
        yield KeptRecord(seq=seq, body=canonical(record), before=None if place else before, packed=None)


def _from_hours(db: Database, chain: int, after_seq: int) -> Iterator[KeptRecord]:
    """Records of packed hours; sessions' hours overlap, so they are opened as the walk reaches them."""
    rows = db.execute(
        "SELECT first_seq, id FROM hour WHERE chain = ? AND last_seq > ? ORDER BY first_seq",
        (chain, after_seq),
    )
    waiting: list[tuple[int, int, KeptRecord, Iterator[KeptRecord]]] = []
    upcoming = iter(rows)
    ahead = next(upcoming, None)
    while waiting or ahead:
        while ahead and (not waiting or ahead[0] <= waiting[0][0]):
            found = db.execute("SELECT seqs, before, body FROM hour WHERE id = ?", (ahead[1],))
            opened = open_hour(found[0]) if found else iter(())
            first = next(opened, None)
            if first:
                heapq.heappush(waiting, (first.seq, ahead[1], first, opened))
            ahead = next(upcoming, None)
        if waiting:
            _, number, kept, opened = waiting[0]
            following = next(opened, None)
            if following:
                heapq.heapreplace(waiting, (following.seq, number, following, opened))
            else:
                heapq.heappop(waiting)
            if kept.seq > after_seq:
                yield kept


def _from_minutes(db: Database, chain: int, after_seq: int) -> Iterator[KeptRecord]:
    at = after_seq
    while rows := db.execute(
        "SELECT seq, before, body FROM minute WHERE chain = ? AND seq > ? ORDER BY seq LIMIT 500", (chain, at)
    ):
        for seq, before, packed in rows:
            yield KeptRecord(seq=seq, body=unfold(packed), before=before, packed=packed)
        at = rows[-1][0]


def in_order(db: Database, chain: int, after_seq: int = 0) -> Iterator[KeptRecord]:
    """Every kept record of a chain past `after_seq`, in the order of its places."""
    return heapq.merge(
        _from_hours(db, chain, after_seq), _from_minutes(db, chain, after_seq), key=attrgetter("seq")
    )


def verify(db: Database, chain: int) -> ChainReport:
    """Walk a chain from its first kept record to its head."""
    agent, origin, last_seq, head = db.execute(
        "SELECT agent, origin, last_seq, head FROM chain WHERE id = ?", (chain,)
    )[0]
    gaps = {
        next_seq: (after, before)
        for next_seq, after, before in db.execute(
            "SELECT next_seq, after_seq, before FROM gap WHERE chain = ?", (chain,)
        )
    }
    at, here, count, first, skipped, trouble = 0, genesis(agent, origin), 0, 0, 0, ""
    try:
        for kept in in_order(db, chain):
            if not first:
                first = kept.seq
                if kept.seq > 1 and kept.before is not None:
                    at, here = kept.seq - 1, kept.before
            if kept.seq != at + 1:
                after, before = gaps.get(kept.seq, (None, here))
                if after != at:
                    trouble = f"record {at + 1} is missing"
                    break
                skipped, here = skipped + kept.seq - at - 1, before
            if kept.before is not None and kept.before != here:
                trouble = f"a record up to {kept.seq - 1} is not what was stored"
                break
            at, here, count = kept.seq, link(here, kept.body), count + 1
        else:
            if count and (at, here) != (last_seq, head):
                trouble = (
                    f"record {at + 1} is missing" if at < last_seq else f"record {at} is not what was stored"
                )
    except DataError as damage:
        trouble = f"after record {at}: {damage}"
    return ChainReport(
        agent=agent,
        origin=origin,
        records=count,
        first_seq=first,
        last_seq=last_seq,
        head=head,
        gaps=skipped,
        trouble=trouble,
    )
