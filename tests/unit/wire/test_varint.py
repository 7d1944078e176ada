import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.errors import DataError
from whichhop.wire.byte_planes import Reader, put_signed, put_text, put_unsigned


@given(st.lists(st.integers(-(2**63), 2**63)))
def test_numbers_of_either_sign_come_back(values: list[int]) -> None:
    out = bytearray()
    for value in values:
        put_signed(out, value)
    reader = Reader(bytes(out))
    assert [reader.signed() for _ in values] == values
    assert reader.at == len(out)


@given(st.text(st.characters(exclude_categories=("Cs",))))
def test_texts_come_back(text: str) -> None:
    out = bytearray()
    put_text(out, text)
    assert Reader(bytes(out)).text() == text


def test_the_examples_of_the_protocol_buffers_encoding_page_hold() -> None:
    # "Encoding", Base 128 varints: 150 is 96 01; signed integers: -1 is 1, 1 is 2, -2 is 3 (from memory).
    out = bytearray()
    put_unsigned(out, 150)
    assert out == b"\x96\x01"
    for value, folded in ((0, 0), (-1, 1), (1, 2), (-2, 3)):
        one = bytearray()
        put_signed(one, value)
        assert one == bytes((folded,))


@pytest.mark.parametrize("data", [b"", b"\x80", b"\x80" * 11])
def test_a_number_without_an_end_is_refused(data: bytes) -> None:
    with pytest.raises(DataError, match="number"):
        Reader(data).unsigned()


def test_a_number_too_large_to_store_is_refused_with_its_value() -> None:
    with pytest.raises(DataError, match=str(2**80)):
        put_unsigned(bytearray(), 2**80)


def test_a_name_that_is_not_utf8_is_refused() -> None:
    with pytest.raises(DataError, match="UTF-8"):
        Reader(b"\x01\xff").text()
