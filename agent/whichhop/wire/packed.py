"""A record as compact bytes and back: exact to the nanosecond, versioned, damage told by reason.

Two forms share one layout. A minute is one record by itself: what a new row of the store holds and what
travels. A block is a session's records of an hour in common columns, which takes about half the bytes.

`canonical` is the layout before deflate. It depends on nothing but the record (no compressor's version, no
byte order of the machine), so hashes are taken over it and survive packing again.
"""

import zlib
from array import array
from collections.abc import Callable, Sequence
from functools import lru_cache

from msgspec import Struct
from msgspec.structs import replace

from whichhop import outside
from whichhop.errors import DataError
from whichhop.model import ABSENT, Columns, Fate, Method, Record, SessionKey
from whichhop.printable import shown
from whichhop.wire.byte_planes import (
    BytePlanes,
    Optional,
    Reader,
    fill_absent,
    put_head,
    put_optional,
    put_signed,
    put_text,
    put_together,
    put_unsigned,
    read_column,
    read_optional,
    take_apart,
)

VERSION = 1
MOST_SAMPLES = 1 << 19
"""Samples of one block; 50 packets/s for an hour are 180,000. Each takes some 70 octets once unpacked, and a
column without bytes of its own (all values alike) costs nothing packed: so the count itself is bounded."""
MOST_SAMPLES_A_MINUTE = 1 << 16
"""Samples of one record that travels by itself: a thousand packets a second."""
_MOST_SAMPLE_OCTETS = 1 + 4 * 8 + 3
"""A fate, four columns of 64 bits, three presences."""
_MOST_HEAD = 4 << 20
"""Octets of a head: facts of 65,536 records at some 20 octets each, and names."""
MAX_BODY = MOST_SAMPLES * _MOST_SAMPLE_OCTETS + _MOST_HEAD
"""Bytes a packed block may unfold to. More is damage or malice."""
MAX_RECORDS = 1 << 16
"""Records in one block; an hour has 60, or some more when the agent was restarted."""
_FAR_MINUTE = 1 << 40
"""No minute is so far from 1970; sums of two such still fit the store's 64 bits."""
_LONGEST_STAMPS = 40
_FLUSH_FROM = 512  # bytes: a run this long earns Huffman tables of its own (measured: 9 % smaller blocks)
_NO_FATE = 2
_KNOWN = frozenset(Fate)
_ANSWERED = bytes(
    int(fate in (Fate.ANSWERED, Fate.LATE)) if fate in _KNOWN else _NO_FATE for fate in range(256)
)
"""For bytes.translate: 1 where a fate says that an answer came, so that delays are to be expected."""


class RecordFacts(Struct, frozen=True, kw_only=True):
    """What `times` records of consecutive minutes, from `minute` on, alike say besides their samples.

    count: samples in each.
    """

    minute: int
    times: int
    count: int
    duplicates: int
    reordered: int
    stamps: str
    clock_error_ns: int | None


Times = tuple["array[int]", "array[int]", "array[int]", "array[int]"]
"""A block's columns of times: sent, round trip, out, queue."""


def plain_times(block: "Block") -> Times:
    """Put together without numpy, as the daemon must."""
    rtt, out, queue = (fill_absent(c, ABSENT) for c in (block.rtt_ns, block.out_ns, block.queue_ns))
    return put_together(block.sent_ns), rtt, out, queue


class Block(Struct, frozen=True, kw_only=True):
    """One session's records taken apart, columns not yet put together (numpy may do that faster)."""

    session: SessionKey
    facts: tuple[RecordFacts, ...]
    fates: bytes
    sent_ns: BytePlanes
    rtt_ns: Optional
    out_ns: Optional
    queue_ns: Optional

    def records(
        self,
        from_minute: int = -_FAR_MINUTE,
        to_minute: int = 2 * _FAR_MINUTE,
        together: "Callable[[Block], Times]" = plain_times,
    ) -> tuple[Record, ...]:
        """The records of some minutes, all unless told, in the order packed; `to_minute` is not included.

        together: puts the columns together where there is something faster than plain Python.
        """
        minutes = [(f, f.minute + place) for f in self.facts for place in range(f.times)]
        if not any(from_minute <= minute < to_minute for _, minute in minutes):
            return ()
        sent, rtt, out, queue = together(self)
        fates = array("B", self.fates)
        records = []
        at = 0
        for fact, minute in minutes:
            begin, end = at, at + fact.count
            at = end
            if not from_minute <= minute < to_minute:
                continue
            records.append(
                Record(
                    session=self.session,
                    minute=minute,
                    samples=Columns(
                        sent_ns=sent[begin:end],
                        fate=fates[begin:end],
                        rtt_ns=rtt[begin:end],
                        out_ns=out[begin:end],
                        queue_ns=queue[begin:end],
                    ),
                    duplicates=fact.duplicates,
                    reordered=fact.reordered,
                    stamps=fact.stamps,
                    clock_error_ns=fact.clock_error_ns,
                )
            )
        return tuple(records)


def _alike(records: Sequence[Record]) -> list[RecordFacts]:
    """The records' facts, consecutive minutes that say the same as one."""
    out: list[RecordFacts] = []
    for record in records:
        fact = RecordFacts(
            minute=record.minute,
            times=1,
            count=len(record.samples),
            duplicates=record.duplicates,
            reordered=record.reordered,
            stamps=record.stamps,
            clock_error_ns=record.clock_error_ns,
        )
        if out and replace(fact, minute=out[-1].minute, times=out[-1].times) == out[-1]:
            before = out[-1]
            if before.minute + before.times == fact.minute:
                out[-1] = replace(before, times=before.times + 1)
                continue
        out.append(fact)
    return out


def _runs(records: Sequence[Record]) -> list[bytes]:
    """The layout as runs of bytes: the head first, then each column's planes."""
    first = records[0]
    head = bytearray((VERSION,))
    for text in (first.session.agent, first.session.target, first.session.method):
        put_text(head, text)
    put_signed(head, first.minute)
    alike = _alike(records)
    put_unsigned(head, len(alike))
    for fact in alike:
        put_signed(head, fact.minute - first.minute)
        for number in (fact.times, fact.count, fact.duplicates, fact.reordered):
            put_unsigned(head, number)
        put_text(head, fact.stamps)
        put_unsigned(head, 0 if fact.clock_error_ns is None else fact.clock_error_ns + 1)
    sent = take_apart([v for r in records for v in r.samples.sent_ns])
    put_head(head, sent)
    fates = b"".join(r.samples.fate.tobytes() for r in records)
    runs = [fates, *sent.runs()]
    for name in ("rtt_ns", "out_ns", "queue_ns"):
        values = [v for r in records for v in getattr(r.samples, name)]
        runs += put_optional(head, values, ABSENT, fates.translate(_ANSWERED))
    length = bytearray()
    put_unsigned(length, len(head))
    return [bytes(length + head), *runs]


def _check(records: Sequence[Record]) -> None:
    if len({r.session for r in records}) != 1:
        raise DataError("a block holds the records of one session; pack each session by itself")
    for record in records:
        columns = record.samples
        sides = (columns.sent_ns, columns.fate, columns.rtt_ns, columns.out_ns, columns.queue_ns)
        if len(set(map(len, sides))) != 1:
            raise DataError(f"{record.session}, minute {record.minute}: its columns differ in length")


def canonical(record: Record) -> bytes:
    """The record's one and only byte form, before deflate: what the chain's hashes are taken over."""
    _check((record,))
    return b"".join(_runs((record,)))


def pack(records: Sequence[Record]) -> bytes:
    """One record, or several of one session, as deflated bytes. At least one; kept in the order given."""
    _check(records)
    runs = _runs(records)
    size = sum(map(len, runs))
    samples = sum(len(r.samples) for r in records)
    if len(records) > MAX_RECORDS or samples > MOST_SAMPLES or size > MAX_BODY:
        raise DataError(
            f"{records[0].session}, minute {records[0].minute}: {len(records)} records, {samples} samples, "
            f"are more than one block holds ({MAX_RECORDS}, {MOST_SAMPLES}); split them"
        )
    squeeze = zlib.compressobj(9, zlib.DEFLATED, 15, 9)
    out = bytearray()
    for run in runs:
        # Noise and near-zeros in one Huffman table spoil each other, so a long run starts a table anew.
        out += squeeze.compress(run)
        if len(run) >= _FLUSH_FROM:
            out += squeeze.flush(zlib.Z_SYNC_FLUSH)
    return bytes(out + squeeze.flush())


def pack_canonical(body: bytes) -> bytes:
    """The packed form of one record, from its canonical bytes."""
    return zlib.compress(body, 9)


def unfold(packed: bytes, most: int = MAX_BODY) -> bytes:
    """Undo deflate, within bounds; for one record the result is its canonical form."""
    return outside.unfolded(packed, "packed record", most=most)


def take_block(body: bytes) -> Block:
    """Read the layout; DataError with the reason for whatever does not fit it."""
    outer = Reader(body)
    head = Reader(outer.take(outer.unsigned()))
    (version,) = head.take(1)
    if version != VERSION:
        raise DataError(f"packed record has version {version}, this program reads {VERSION}; update whichhop")
    session = _session(head.text(), head.text(), head.text())
    base_minute = head.signed()
    count = head.unsigned()
    if not 1 <= count <= min(len(head.data), MAX_RECORDS):
        raise DataError(f"packed record is damaged: {count} facts in {len(head.data)} bytes")
    facts = tuple(_read_facts(head, base_minute) for _ in range(count))
    total = sum(f.times * f.count for f in facts)
    if sum(f.times for f in facts) > MAX_RECORDS:
        raise DataError(f"packed record is damaged: more than {MAX_RECORDS} records in one block")
    if total > MOST_SAMPLES:
        raise DataError(f"packed record is damaged: more than {MOST_SAMPLES} samples in one block")
    fates = outer.take(total)
    usual = fates.translate(_ANSWERED)
    if (strange := usual.find(_NO_FATE)) >= 0:
        raise DataError(f"packed record is damaged: no fate has the number {fates[strange]}")
    block = Block(
        session=session,
        facts=facts,
        fates=fates,
        sent_ns=read_column(head, outer, total),
        rtt_ns=read_optional(head, outer, total, usual),
        out_ns=read_optional(head, outer, total, usual),
        queue_ns=read_optional(head, outer, total, usual),
    )
    if head.at != len(head.data) or outer.at != len(body):
        raise DataError("packed record is damaged: bytes are left over")
    return block


@lru_cache(maxsize=4096)
def _session(agent: str, target: str, asked: str) -> SessionKey:
    """Kept, since every hour of a session says it again."""
    for name in (agent, target, asked):
        outside.name(name, "packed record")
    try:
        return SessionKey(agent=agent, target=target, method=Method(asked))
    except ValueError:
        raise DataError(
            f"packed record names the method {shown(asked)}; known: {', '.join(Method)}"
        ) from None


def _read_facts(head: Reader, base_minute: int) -> RecordFacts:
    minute = base_minute + head.signed()
    times, count, duplicates, reordered = (head.unsigned() for _ in range(4))
    stamps = outside.text(head.text(), "packed record: stamps", most=_LONGEST_STAMPS)
    error = head.unsigned()
    far = abs(minute) > _FAR_MINUTE or max(times, count, duplicates, reordered, error) > outside.INT64
    if far:
        raise DataError("packed record is damaged: a count or a minute out of range")
    return RecordFacts(
        minute=minute,
        times=times,
        count=count,
        duplicates=duplicates,
        reordered=reordered,
        stamps=stamps,
        clock_error_ns=error - 1 if error else None,
    )


def unpack(packed: bytes) -> tuple[Record, ...]:
    """The records that `pack` was given; DataError with the reason when the bytes are damaged."""
    return take_block(unfold(packed)).records()


def unpack_one(packed: bytes) -> tuple[Record, bytes]:
    """A single record and its canonical bytes."""
    body = unfold(packed, MOST_SAMPLES_A_MINUTE * _MOST_SAMPLE_OCTETS + _MOST_HEAD)
    block = take_block(body)
    if len(block.fates) > MOST_SAMPLES_A_MINUTE:
        raise DataError(f"packed record is damaged: {len(block.fates)} samples in one minute")
    records = block.records()
    if len(records) != 1:
        raise DataError(f"one record was expected, {len(records)} are packed here")
    if canonical(records[0]) != body:
        raise DataError("packed record is not in its canonical form; pack it again with whichhop")
    return records[0], body
