"""A room's result survives the store's readings, whatever is known of it; the newest of a room counts."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from whichhop.model import Reading
from whichhop.model.room import FIGURES, RoomResult, from_readings, newest_of, to_readings, usable_name

KITCHEN = RoomResult(walk="spring", room="kitchen", at_ns=5, agent="desk", target="router", sent=300, lost=3)
maybe = st.none() | st.floats(0, 1e9)
names = st.text(min_size=1, max_size=40).filter(usable_name)


@given(names, names, st.integers(0, 2**62), st.integers(0, 10**6), st.lists(maybe, min_size=10, max_size=10))
def test_to_readings_and_back_loses_nothing(
    walk: str, room: str, at_ns: int, sent: int, values: list[float | None]
) -> None:
    figures = [n for n in FIGURES if n not in ("sent", "lost", "unsent")]
    result = replace(
        KITCHEN,
        walk=walk,
        room=room,
        at_ns=at_ns,
        sent=sent,
        lost=sent // 2,
        **dict(zip(figures, values, strict=True)),
    )
    assert from_readings(to_readings(result)) == (result,)


def test_other_readings_and_halves_are_passed_over() -> None:
    others = [
        Reading(at_ns=1, agent="desk", name=name, value=1.0)
        for name in ("wan_rx_bytes", "survey/a/b/c/unknown", "survey/a/b/sent", "survey/a/b/c/sent")
    ]
    assert from_readings(others) == ()


def test_where_a_room_was_measured_twice_the_later_counts() -> None:
    again = replace(KITCHEN, at_ns=9, lost=0)
    attic = replace(KITCHEN, at_ns=7, room="attic")
    other = replace(KITCHEN, walk="autumn", at_ns=11)
    assert newest_of([again, KITCHEN, attic, other], "spring") == (attic, again)


@pytest.mark.parametrize("name", ["", "a/b", " a", "a\n", "x" * 41])
def test_a_name_that_a_reading_cannot_carry_is_refused(name: str) -> None:
    assert not usable_name(name)
