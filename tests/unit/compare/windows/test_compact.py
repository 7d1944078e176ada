"""What is folded comes back to the last bit, and what nobody folded is known for it."""

from contextlib import suppress

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from support.homes import alder
from support.windows import quiet
from whichhop.compare.windows.compact import UNREADABLE, folded, packed, unfolded, unpacked
from whichhop.compare.windows.table import COUNTS, QUANTILES, empty_table
from whichhop.compare.windows.tally import Tally
from whichhop.model import derive_sessions

HOME = alder()
KEYS = [s.key for s in derive_sessions(HOME)]
TALLY = Tally(
    session=KEYS[0],
    samples=7,
    aside=1,
    duplicates=0,
    reordered=2,
    stamps=("T1 T4",),
    clock_error_ns=None,
    digest="ab" * 32,
)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float16, np.float32, np.float64])
@pytest.mark.parametrize("shape", [(0,), (0, 3), (5, 0), (7,), (40, 9)])
def test_any_array_comes_back_bit_by_bit(dtype: type, shape: tuple[int, ...]) -> None:
    rng = np.random.default_rng(3)
    values = rng.integers(0, 256, (*shape, np.dtype(dtype).itemsize), np.uint8).view(dtype).reshape(shape)
    again = unpacked(packed(values), dtype, shape)
    assert again.dtype == values.dtype
    assert again.tobytes() == np.ascontiguousarray(values).tobytes()


def test_a_day_of_windows_comes_back_whole_and_small() -> None:
    table = quiet(HOME, 3000)
    table.q50_s[::17] = np.nan
    table.lost[::50] = 300
    ahead = {KEYS[1]: 12.5}
    table = replace(table, stamps={KEYS[0]: frozenset({"T1 T4", ""})}, ahead_s=ahead)
    octets = folded(table, [TALLY])
    again, tallies = unfolded(octets)
    assert tallies == (TALLY,)
    assert (again.sessions, again.start_ns, again.step_ns) == (table.sessions, table.start_ns, table.step_ns)
    assert (again.stamps, again.ahead_s, again.coarse) == (table.stamps, ahead, False)
    for name in (*COUNTS, *QUANTILES):
        assert getattr(again, name).tobytes() == getattr(table, name).tobytes(), name
        assert getattr(again, name).dtype == getattr(table, name).dtype
    assert len(octets) < 8 * table.sent.size


def test_an_empty_day_is_one_too() -> None:
    again, tallies = unfolded(folded(empty_table([], 0, 8640), ()))
    assert (again.sessions, again.sent.shape, tallies) == ((), (8640, 0), ())


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_other_octets_are_refused_and_nothing_worse(data: st.DataObject) -> None:
    octets = bytearray(folded(quiet(HOME, 30), [TALLY]))
    for _ in range(data.draw(st.integers(1, 4))):
        octets[data.draw(st.integers(0, len(octets) - 1))] = data.draw(st.integers(0, 255))
    cut = data.draw(st.integers(0, len(octets)))
    for some in (bytes(octets), bytes(octets[:cut])):
        with suppress(UNREADABLE):
            unfolded(some)
