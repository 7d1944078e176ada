"""Samples of a span: the digest is what its text says, and pieces count as the whole does."""

import hashlib
import random
import struct

import numpy as np
import pytest
from msgspec.structs import replace

from support.record_windows import count_in, counted_of, table_of
from support.records import lifelike
from whichhop.compare.windows.tally import digest_of, within
from whichhop.model import Method, Record, SessionKey
from whichhop.model.units import NS_PER_MINUTE

KEY = SessionKey(agent="desk", target="harbour", method=Method.STAMP)
FIRST = 29_880_000


def minutes(count: int) -> list[Record]:
    rng = random.Random(3)
    return [lifelike(rng, FIRST + m, KEY, loss=0.05) for m in range(count)]


def test_the_digest_can_be_taken_by_hand_from_the_samples() -> None:
    records = minutes(3)
    samples = [s for r in records for s in r.samples]
    none = -(2**63)
    columns = [
        [s.sent_ns for s in samples],
        [none if s.rtt_ns is None else s.rtt_ns for s in samples],
        [none if s.out_ns is None else s.out_ns for s in samples],
        [none if s.queue_ns is None else s.queue_ns for s in samples],
    ]
    data = b"whichhop samples 1\0" + struct.pack("<Q", len(samples))
    data += b"".join(struct.pack(f"<{len(c)}q", *c) for c in columns)
    data += bytes(s.fate for s in samples)
    assert digest_of(counted_of(KEY, records)) == hashlib.sha256(data).hexdigest()


def test_the_order_in_which_records_are_handed_over_does_not_matter() -> None:
    records = minutes(5)
    assert digest_of(counted_of(KEY, records)) == digest_of(counted_of(KEY, records[::-1]))


def test_one_nanosecond_changes_the_digest() -> None:
    whole = counted_of(KEY, minutes(2))
    later = whole.sent_ns.copy()
    later[7] += 1
    assert digest_of(replace(whole, sent_ns=later)) != digest_of(whole)


def test_a_span_takes_its_first_instant_and_leaves_its_last() -> None:
    whole = counted_of(KEY, minutes(2))
    cut = within(whole, int(whole.sent_ns[3]), int(whole.sent_ns[9]))
    assert cut.sent_ns.tolist() == whole.sent_ns[3:9].tolist()


@pytest.mark.slow
def test_a_long_span_counted_in_pieces_gives_the_table_of_the_whole() -> None:
    records = minutes(9 * 60)
    start, end = FIRST * NS_PER_MINUTE, (FIRST + 9 * 60) * NS_PER_MINUTE
    table, (tally,) = count_in((KEY,), (counted_of(KEY, records),), start_ns=start, end_ns=end)
    wanted = table_of(records, start_ns=start, end_ns=end)
    assert np.array_equal(table.sent, wanted.sent)
    assert np.array_equal(table.lost, wanted.lost)
    assert np.array_equal(table.q50_s, wanted.q50_s, equal_nan=True)
    assert tally.samples == sum(len(r.samples) for r in records)


def test_time_before_the_first_and_after_the_last_packet_is_no_part_of_a_span() -> None:
    start, end = (FIRST - 7) * NS_PER_MINUTE, (FIRST + 9) * NS_PER_MINUTE
    table, _ = count_in((KEY,), (counted_of(KEY, minutes(2)),), start_ns=start, end_ns=end)
    cut = table.measured()
    assert cut is not None
    assert (cut.start_ns, cut.ticks) == (FIRST * NS_PER_MINUTE, 12)
    assert table.span(0, 3).measured() is None
