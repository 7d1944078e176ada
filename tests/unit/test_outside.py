"""Whatever comes from outside is a value within bounds or one line that names the place."""

import base64
import gzip
import io
import math
import time
import tracemalloc
import zlib
from collections.abc import Callable
from typing import Annotated, Any

import msgspec
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from whichhop import outside
from whichhop.errors import WhichhopError
from whichhop.outside import OutsideError
from whichhop.printable import printable

ANY_TEXT = st.text(st.characters(exclude_categories=()))
ANY_VALUE = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | ANY_TEXT | st.binary(),
    lambda inner: st.lists(inner) | st.dictionaries(ANY_TEXT, inner),
    max_leaves=8,
)
LONG = "9" * 400
READERS: tuple[Callable[[Any], object], ...] = (
    lambda v: outside.whole(v, "here"),
    lambda v: outside.number(v, "here", low=-1e9, high=1e9),
    lambda v: outside.truth(v, "here"),
    lambda v: outside.text(v, "here"),
    lambda v: outside.name(v, "here"),
    lambda v: outside.items(v, "here"),
    lambda v: outside.mapping(v, "here"),
    lambda v: outside.octets_of_hex(v, "here", length=4),
    lambda v: outside.octets_of_base64(v, "here", most=100),
)


def complaint_of(read: Callable[[], object]) -> str | None:
    """What was complained of; None where a value came."""
    try:
        read()
    except OutsideError as complaint:
        return str(complaint)
    return None


@pytest.mark.parametrize("read", READERS)
@given(value=ANY_VALUE)
@example(value=10**400)
@example(value=-(10**5000))
@example(value=math.nan)
@example(value="\ud800")
@example(value="\x1b]0;title\x07")
def test_every_reader_gives_a_value_or_one_printable_line(read: Callable[[Any], object], value: Any) -> None:
    line = complaint_of(lambda: read(value))
    if line is not None:
        assert line.startswith("here: ")
        assert printable(line) == line
        assert len(line) < 500


@pytest.mark.parametrize("value", [True, 1.0, "1", None, -1, outside.INT64 + 1, 10**400])
def test_what_is_no_count_is_refused(value: object) -> None:
    with pytest.raises(OutsideError, match=r"^desk: sent: "):
        outside.whole(value, "desk: sent")


def test_a_complaint_is_an_error_of_the_person_at_the_keyboard() -> None:
    with pytest.raises(WhichhopError):
        outside.truth(1, "here")


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, 10**400, -5.0, True, "3"])
def test_what_is_no_finite_number_in_range_is_refused(value: object) -> None:
    with pytest.raises(OutsideError):
        outside.number(value, "rtt_s", low=0.0, high=3600.0)


def test_zero_has_no_sign() -> None:
    assert math.copysign(1.0, outside.number(-0.0, "here", low=-1, high=1)) == 1.0


@pytest.mark.parametrize(
    "word", ["", "+", "1_000", "0x10", "٣", "1e5", " 1", "1 ", LONG, "-" + LONG, "1.0", "nan", "1" * 5000]
)
def test_a_whole_number_is_ascii_digits_and_few(word: str) -> None:
    with pytest.raises(OutsideError):
        outside.whole_of(word, "here", low=-(2**63), high=outside.INT64)


def test_text_is_shown_and_a_name_refused_where_it_would_act() -> None:
    assert outside.text("red \x1b[31m", "here") == "red \\x1b[31m"
    with pytest.raises(OutsideError, match="control or invisible characters"):
        outside.name("red \x1b[31m", "here")
    assert outside.name("Küche-1", "here") == "Küche-1"


# -- JSON


@pytest.mark.parametrize(
    "document",
    [
        b"NaN",
        b"[Infinity]",
        b"1e999",
        b'{"a": "\\ud800"}',  # RFC 8259 section 8.2: a lone surrogate's meaning is unpredictable
        b'"\xff"',
        "\ud800",
        b"",
        b"{",
        b"[" * 100_000,
        b"[" * 100_000 + b"]" * 100_000,
        b"1" * 5000,
        b"[" * 40 + b"]" * 40,
        b'{"a":' * 40 + b"1" + b"}" * 40,
        b" " * (1 << 21),
    ],
)
def test_what_is_not_json_for_every_reader_is_refused(document: bytes | str) -> None:
    with pytest.raises(OutsideError, match=r"^desk: "):
        outside.json_of(document, "desk")


@given(st.binary())
def test_octets_are_json_or_a_complaint(document: bytes) -> None:
    line = complaint_of(lambda: outside.json_of(document, "desk"))
    assert line is None or printable(line) == line


@given(
    st.recursive(st.none() | st.booleans() | st.text(), lambda v: st.lists(v) | st.dictionaries(st.text(), v))
)
def test_what_the_standard_library_writes_comes_back(value: Any) -> None:
    import json

    assert outside.json_of(json.dumps(value), "desk") == value


class Row(msgspec.Struct):
    seq: Annotated[int, msgspec.Meta(ge=0, le=outside.INT64)]
    value: float


def test_a_typed_document_is_checked_field_by_field() -> None:
    assert outside.typed(b'{"seq": 1, "value": 2, "more": [[[]]]}', "desk", Row) == Row(seq=1, value=2.0)
    for wrong in (b'{"seq": -1, "value": 1}', b'{"seq": 1}', b'{"seq": 1, "value": 1e999}', b"[]"):
        with pytest.raises(OutsideError, match=r"^desk: not "):
            outside.typed(wrong, "desk", Row)


# -- octets and lines


def test_a_small_packing_never_becomes_a_large_memory() -> None:
    bomb = zlib.compress(bytes(200_000_000), 9)
    assert len(bomb) < 200_000
    tracemalloc.start()
    with pytest.raises(OutsideError, match="unfolds to more than 1000000 octets"):
        outside.unfolded(bomb, "record", most=1_000_000)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 10_000_000


@given(st.binary(max_size=200))
def test_what_was_packed_unfolds_to_itself(octets: bytes) -> None:
    packed = zlib.compress(octets)
    assert outside.unfolded(packed, "record", most=len(octets)) == octets
    for damaged in (packed[:-1], packed + b"\0"):
        with pytest.raises(OutsideError):
            outside.unfolded(damaged, "record", most=1000)


@given(st.binary(max_size=100))
def test_base64_comes_back_and_is_bounded(octets: bytes) -> None:
    word = base64.b64encode(octets).decode()
    assert outside.octets_of_base64(word, "record", most=len(octets)) == octets
    if octets:
        with pytest.raises(OutsideError):
            outside.octets_of_base64(word, "record", most=len(octets) - 1)


def test_a_gzip_bomb_is_read_line_by_line_within_bounds() -> None:
    bomb = gzip.compress(b"a" * 50_000_000)
    with gzip.open(io.BytesIO(bomb)) as file, pytest.raises(OutsideError, match=r"day\.gz:1: a line of more"):
        list(outside.lines_of(file, "day.gz", longest=1000, most=10_000))
    many = gzip.compress(b"short\n" * 1_000_000)
    with gzip.open(io.BytesIO(many)) as file, pytest.raises(OutsideError, match="in all"):
        list(outside.lines_of(file, "day.gz", longest=1000, most=10_000))


def test_lines_come_without_their_ends_and_bad_utf8_is_named_by_its_line() -> None:
    assert list(outside.lines_of(io.BytesIO(b"a\r\nb\n\nc"), "f", longest=9, most=999)) == ["a", "b", "", "c"]
    with pytest.raises(OutsideError, match=r"^f:2: octet 1 is not UTF-8"):
        list(outside.lines_of(io.BytesIO(b"a\nb\xff\n"), "f", longest=9, most=999))


@pytest.mark.parametrize(
    "wrong", [ValueError("x"), OverflowError(), KeyError("k"), RecursionError(), TypeError()]
)
def test_whatever_a_library_trips_over_is_one_line(wrong: Exception) -> None:
    with pytest.raises(OutsideError, match=r"^modem: cannot be read"), outside.reading("modem"):
        raise wrong


def test_a_bug_that_is_not_a_readers_stays_visible() -> None:
    with pytest.raises(MemoryError), outside.reading("modem"):
        raise MemoryError


def test_reading_hostile_json_takes_no_time_to_speak_of() -> None:
    start = time.process_time()
    for document in (b"[" * 900_000, b'{"":' * 200_000, b"1" * 900_000, b'"\\u0000' * 100_000):
        with pytest.raises(OutsideError):
            outside.json_of(document, "desk")
    assert time.process_time() - start < 2.0
