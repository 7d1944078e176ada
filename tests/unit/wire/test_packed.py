import random
import zlib
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.records import any_record, lifelike
from whichhop.errors import DataError
from whichhop.model import Columns, Method, Record, SessionKey
from whichhop.wire.packed import VERSION, canonical, pack, unfold, unpack, unpack_one

KEY = SessionKey(agent="desk", target="router", method=Method.STAMP)


@given(any_record())
def test_any_record_comes_back_exactly_as_it_was(record: Record) -> None:
    assert unpack(pack([record])) == (record,)
    assert unpack_one(pack([record])) == (record, canonical(record))


@given(st.lists(any_record(KEY), min_size=1, max_size=6))
def test_any_block_of_one_session_comes_back_exactly_as_it_was(records: list[Record]) -> None:
    assert unpack(pack(records)) == tuple(records)


@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused_with_a_reason(data: bytes) -> None:
    for packed in (data, zlib.compress(data)):
        with pytest.raises(DataError, match=r"\w"):
            unpack(packed)


@given(any_record(), st.data())
def test_a_damaged_record_is_refused_or_read_but_never_crashes(record: Record, data: st.DataObject) -> None:
    body = bytearray(canonical(record))
    place = data.draw(st.integers(0, len(body) - 1))
    body[place] ^= data.draw(st.integers(1, 255))
    with suppress(DataError):
        unpack(zlib.compress(bytes(body)))


@given(st.integers(0, 10_000), st.integers(1, 255))
def test_a_flipped_bit_in_transit_is_always_noticed(place: int, flip: int) -> None:
    packed = bytearray(pack([lifelike(random.Random(3), 28_333_333, KEY)]))
    packed[place % len(packed)] ^= flip
    with pytest.raises(DataError):
        unpack(bytes(packed))


@given(st.integers(0, 400))
def test_a_cut_record_is_always_noticed(kept: int) -> None:
    packed = pack([lifelike(random.Random(3), 28_333_333, KEY)])
    with pytest.raises(DataError, match="damaged"):
        unpack(packed[: min(kept, len(packed) - 1)])


def test_bytes_after_the_end_are_refused() -> None:
    with pytest.raises(DataError, match="3 octets follow"):
        unpack(pack([lifelike(random.Random(1), 5, KEY)]) + b"abc")


def test_a_small_message_that_unfolds_to_a_huge_one_is_refused() -> None:
    with pytest.raises(DataError, match="more than"):
        unpack(zlib.compress(bytes(40 << 20)))


def test_a_later_version_is_named_and_the_remedy_given() -> None:
    body = bytearray(canonical(lifelike(random.Random(1), 5, KEY)))
    place = body.index(VERSION)
    body[place] = VERSION + 1
    with pytest.raises(DataError, match=r"version 2.*reads 1; update"):
        unpack(zlib.compress(bytes(body)))


def test_the_canonical_form_is_what_one_packed_record_unfolds_to() -> None:
    record = lifelike(random.Random(1), 28_333_333, KEY)
    assert unfold(pack([record])) == canonical(record)


def test_an_uncanonical_packing_of_a_record_is_refused_so_that_its_hash_is_unique() -> None:
    record = lifelike(random.Random(1), 28_333_333, KEY)
    two = pack([record, record])
    with pytest.raises(DataError, match="2 are packed"):
        unpack_one(two)


def test_the_layout_is_pinned_so_that_old_stores_stay_readable() -> None:
    # Worked by hand from the layout in wire/packed.py: version 1, names, minute 2 as zigzag 4, one record.
    record = Record(
        session=SessionKey(agent="a", target="b", method=Method.ECHO), minute=2, samples=Columns()
    )
    head = b"\x01" + b"\x01a\x01b\x04echo" + b"\x04" + b"\x01" + b"\x00\x01\x00\x00\x00\x00\x00"
    sent = b"\x02\x00\x00"  # unit 1 not stepwise, least 0, no planes
    optional = b"\x01" + sent  # an empty column is whole: 0 of 0 present
    whole = head + sent + 3 * optional
    assert canonical(record) == bytes((len(whole),)) + whole


def test_more_than_a_reader_would_take_is_not_written() -> None:
    many = [lifelike(random.Random(1), 5, KEY, count=1)] * 70_000
    with pytest.raises(DataError, match=r"70000 records.*split them"):
        pack(many)


def test_records_of_two_sessions_do_not_share_a_block() -> None:
    other = SessionKey(agent="desk", target="attic", method=Method.STAMP)
    with pytest.raises(DataError, match="one session"):
        pack([lifelike(random.Random(1), 5, KEY), lifelike(random.Random(1), 5, other)])
