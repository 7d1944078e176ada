import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from support.homes import alder
from support.windows import START_NS, disturb, quiet
from whichhop.compare.history import judge
from whichhop.compare.windows.clocks import (
    ahead_s,
    aligned,
    aligned_readings,
    clock_words,
    clocks_of,
    off,
)
from whichhop.model import ABSENT, Cause, Method, Reading, SessionKey, derive_sessions
from whichhop.model.units import NS_PER_S

HOME = alder()
SESSIONS = derive_sessions(HOME)
AGENTS = ("attic", "desk", "study")


def told(clocks):
    """What sessions between agents would tell of clocks that are ahead by so much."""
    return {
        SessionKey(agent=a, target=b, method=Method.STAMP): clocks[b] - clocks[a]
        for a in clocks
        for b in clocks
        if a != b
    }


def test_the_four_stamps_give_the_clocks_distance():
    # RFC 5905 8: theta = ((T2 - T1) + (T3 - T4)) / 2, which is T2 - T1 less half of the round trip.
    rtt = np.full(30, 8_000_000)
    out = np.full(30, 4_000_000 + 60 * NS_PER_S)
    assert ahead_s(out, rtt) == pytest.approx(60.0)
    assert ahead_s(out[:5], rtt[:5]) is None
    assert ahead_s(np.full(30, ABSENT), rtt) is None


@given(st.sampled_from(AGENTS), st.floats(5, 300), st.booleans())
def test_of_three_clocks_the_one_that_is_off_is_found(name, seconds, behind):
    clocks = dict.fromkeys(AGENTS, 0.0) | {name: -seconds if behind else seconds}
    found = clocks_of(told(clocks), AGENTS)
    assert found == pytest.approx(clocks)
    assert set(off(found)) == {name}


def test_two_clocks_are_put_in_line_with_each_other():
    found = clocks_of(told({"desk": 0.0, "study": 40.0}), ("desk", "study"))
    assert found["study"] - found["desk"] == pytest.approx(40.0)


def test_a_clock_that_was_set_within_the_span_is_told_as_it_once_was_and_never_half_way():
    # Seen: an hour ahead for half of a span was told, and put right, as half an hour.
    rtt, set_ns = np.full(60, 8_000_000), np.repeat([0, 3600 * NS_PER_S], 30)
    there = ahead_s(set_ns + 4_000_000, rtt)
    back = ahead_s(4_000_000 - set_ns, rtt)
    assert there in (0.0, 3600.0)
    assert back in (0.0, -3600.0)
    keys = [
        SessionKey(agent=a, target=b, method=Method.STAMP) for a, b in (("desk", "study"), ("study", "desk"))
    ]
    found = clocks_of({keys[0]: there, keys[1]: back}, ("desk", "study"))
    assert abs(found["study"] - found["desk"]) in (0.0, 3600.0)


def test_what_is_off_is_said_with_its_way():
    said = clock_words({"desk": -7200.0, "study": 60.0})
    assert "that of desk 7200 s behind the others', that of study 60 s ahead of the others', by STAMP" in said


def test_what_nobody_tells_of_is_left_alone():
    assert clocks_of({}, AGENTS) == dict.fromkeys(AGENTS, 0.0)


def test_columns_and_readings_of_a_clock_that_is_ahead_are_moved_back():
    table = quiet(HOME, 20)
    desk = [i for i, s in enumerate(SESSIONS) if s.key.agent == "desk"]
    found = aligned(table, {"desk": 30.0})
    np.testing.assert_array_equal(found.q50_s[:-3, desk], table.q50_s[3:, desk])
    assert not found.sent[-3:, desk].any()
    rest = [i for i in range(len(SESSIONS)) if i not in desk]
    np.testing.assert_array_equal(found.q50_s[:, rest], table.q50_s[:, rest])
    read = Reading(at_ns=START_NS + 60 * NS_PER_S, agent="desk", name="loop_lateness_s", value=0.0)
    (moved,) = aligned_readings([read], {"desk": 30.0})
    assert moved.at_ns == START_NS + 30 * NS_PER_S


@pytest.mark.parametrize("seconds", [-280.0, -20.0, 60.0, 280.0])
def test_a_clock_that_is_off_blames_no_healthy_machine(seconds):
    # A line fault that all agents see at once; desk's records put it elsewhere in time.
    table = disturb(quiet(HOME, 200), HOME, "modem/provider-edge", slice(80, 110), lost=4)
    shifted = aligned(table, {"desk": -seconds})
    clocks = {"attic": 0.0, "desk": seconds, "study": 0.0}
    found = judge(HOME, SESSIONS, replace(shifted, ahead_s=told(clocks)))
    assert len(found) == 1
    assert "modem/provider-edge" in found[0].elements
    assert found[0].cause is not Cause.AGENT_HOST
    assert abs(found[0].start_ns - table.at_ns(80)) <= 10 * NS_PER_S


def test_a_clock_that_is_off_is_told_with_what_to_do():
    words = clock_words({"desk": 61.2, "study": -7.0})
    assert "that of desk 61 s ahead" in words
    assert "that of study 7 s behind" in words
    assert "NTP" in words
    assert clock_words({}) == ""
