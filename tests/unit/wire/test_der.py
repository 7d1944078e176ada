"""The encoding's examples of ITU-T X.690, and damage told as such."""

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.errors import DataError
from whichhop.wire.der import OCTETS, SEQUENCE, put, put_integer, read


@pytest.mark.parametrize(
    ("value", "octets"),
    # X.690 8.3 and 8.1.3: a positive number's first bit is 0, so 128 takes a leading zero octet.
    [(0, "020100"), (127, "02017f"), (128, "02020080"), (256, "02020100")],
)
def test_whole_numbers_are_written_as_the_standard_has_them(value: int, octets: str) -> None:
    assert put_integer(value).hex() == octets


def test_a_length_over_127_takes_the_long_form() -> None:
    # X.690 8.1.3.5: a length of 201 is 81 C9.
    assert put(OCTETS, bytes(201))[:3].hex() == "0481c9"


@given(st.lists(st.binary(max_size=300), max_size=5))
def test_what_was_put_is_read_back(contents: list[bytes]) -> None:
    whole = put(SEQUENCE, b"".join(put(OCTETS, c) for c in contents))
    (outer,) = read(whole)
    assert [p.content for p in outer.parts()] == contents


@given(st.binary(max_size=60))
def test_no_bytes_do_anything_but_parse_or_be_refused(data: bytes) -> None:
    with suppress(DataError):
        list(read(data))


def test_a_cut_element_is_refused() -> None:
    with pytest.raises(DataError, match="ends inside"):
        list(read(put(OCTETS, b"abc")[:-1]))
