import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.wire.byte_planes import (
    Presence,
    Reader,
    fill_absent,
    put_optional,
    put_together,
    read_optional,
    take_apart,
)

INT64 = st.integers(-(2**63), 2**63 - 1)


@given(st.lists(INT64 | st.integers(-5_000, 5_000), max_size=80))
def test_any_column_of_64_bit_numbers_comes_back(values: list[int]) -> None:
    assert list(put_together(take_apart(values))) == values


@given(st.lists(st.integers(0, 2**20), min_size=1, max_size=50))
def test_the_planes_are_little_endian_bytes_as_numpy_reads_them(values: list[int]) -> None:
    column = take_apart(values)
    planes = np.frombuffer(column.planes, np.uint8).reshape(column.width, column.count).astype(np.int64)
    residues = sum((planes[i] << (8 * i) for i in range(column.width)), np.zeros(column.count, np.int64))
    got = column.least + residues
    if column.stepwise:
        got = np.concatenate(([column.first], column.first + np.cumsum(got)))
    assert list(got * column.unit) == values


def test_a_steady_climb_takes_no_bytes_at_all() -> None:
    assert take_apart([17 + 1_000 * i for i in range(60)]).width == 0


def test_a_common_unit_is_divided_out() -> None:
    column = take_apart([5_000 * v for v in (3, 8, 1, 9, 2, 7)])
    assert (column.unit, column.width) == (5_000, 1)


@pytest.mark.parametrize(
    ("values", "usual", "presence", "first_run"),
    [
        ([-1, -1], b"\1\0", Presence.NONE, None),
        ([5, 6], b"\1\0", Presence.ALL, None),
        ([5, -1], b"\1\0", Presence.USUAL, None),
        ([5, -1], b"\1\1", Presence.TOLD, b"\1\0"),
    ],
)
def test_presence_takes_bytes_only_where_the_usual_pattern_does_not_tell_it(
    values: list[int], usual: bytes, presence: Presence, first_run: bytes | None
) -> None:
    head = bytearray()
    runs = put_optional(head, values, -1, usual)
    assert head[0] == presence
    assert (runs[0] if presence is Presence.TOLD else None) == first_run
    column = read_optional(Reader(bytes(head)), Reader(b"".join(runs)), 2, usual)
    assert list(fill_absent(column, -1)) == values


def test_the_stored_numbers_of_presence_are_pinned() -> None:
    assert [(p.name, int(p)) for p in Presence] == [("NONE", 0), ("ALL", 1), ("TOLD", 2), ("USUAL", 3)]
