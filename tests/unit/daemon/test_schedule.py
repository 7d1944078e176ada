"""Steady streams keep their grid, each packet a little behind it, and what was missed is skipped."""

from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.daemon.schedule import STEP_NS, STEPS, Schedule, spread_ns
from whichhop.model import Method, SessionKey
from whichhop.model.units import NS_PER_S, MonoNs

A = SessionKey(agent="desk", target="attic", method=Method.STAMP)
B = SessionKey(agent="desk", target="router", method=Method.ECHO)


def on_grid() -> Schedule:
    return Schedule(lambda: 0.0)


def test_each_session_is_due_on_its_own_grid() -> None:
    schedule = on_grid()
    schedule.add(A, interval_s=1, first_ns=MonoNs(100))
    schedule.add(B, interval_s=1, first_ns=MonoNs(500))
    assert schedule.next_ns() == 100
    assert schedule.due(MonoNs(99)) == []
    assert schedule.due(MonoNs(100)) == [A]
    assert schedule.due(MonoNs(600)) == [B]
    assert schedule.next_ns() == NS_PER_S + 100


def test_a_stalled_loop_sends_one_packet_and_counts_the_rest_as_skipped() -> None:
    schedule = on_grid()
    schedule.add(A, interval_s=1, first_ns=MonoNs(0))
    late = MonoNs(round(7.5 * NS_PER_S))
    assert schedule.due(late) == [A]
    assert schedule.skipped[A] == 7
    assert schedule.due(late) == []
    assert schedule.next_ns() == 8 * NS_PER_S


def test_a_session_is_scheduled_once_and_can_be_forgotten() -> None:
    schedule = on_grid()
    schedule.add(A, interval_s=1, first_ns=MonoNs(0))
    schedule.add(B, interval_s=1, first_ns=MonoNs(0))
    with pytest.raises(ValueError, match="already"):
        schedule.add(A, interval_s=1, first_ns=MonoNs(0))
    schedule.keep_only([B])
    assert A not in schedule
    assert schedule.due(MonoNs(0)) == [B]
    assert on_grid().next_ns() is None


@given(
    st.floats(0.02, 3),
    st.integers(0, NS_PER_S),
    st.lists(st.integers(1, 5 * NS_PER_S), min_size=1, max_size=40),
    st.randoms(use_true_random=False),
)
def test_sent_and_skipped_add_up_to_the_grid(
    interval_s: float, first: int, steps: list[int], dice: Random
) -> None:
    schedule = Schedule(dice.random)
    schedule.add(A, interval_s=interval_s, first_ns=MonoNs(first))
    interval = round(interval_s * NS_PER_S)
    now, sent = 0, 0
    for step in steps:
        now += step
        due = schedule.due(MonoNs(now))
        assert len(due) <= 1
        sent += len(due)
    following = schedule.next_ns()
    assert following is not None
    assert following > now
    ticks = (following - first) // interval
    assert sent + schedule.skipped[A] == max(0, ticks)
    assert (following - first) % interval < spread_ns(interval)


def test_packets_that_would_be_close_share_a_wake_up_within_their_own_spread() -> None:
    schedule, wakes, sent = Schedule(Random(1).random), 0, {}
    for n in range(20):
        key = SessionKey(agent="desk", target=f"t{n}", method=Method.ECHO)
        schedule.add(key, interval_s=1, first_ns=MonoNs(n * 45_000_000))
        sent[key] = list[int]()
    while (due := schedule.next_ns()) is not None and due < 300 * NS_PER_S:
        wakes += 1
        for key in schedule.due(due):
            sent[key].append(due)
    assert sum(map(len, sent.values())) == 20 * 300
    assert wakes < 0.8 * 20 * 300
    for n, at in enumerate(sent.values()):
        behind = [t - n * 45_000_000 - i * NS_PER_S for i, t in enumerate(at)]
        assert min(behind) >= 0
        assert max(behind) <= STEPS * STEP_NS
        # still as likely in each quarter of its spread: of 300 even draws 75 each, deviation 7.5
        quarters = [sum(4 * b // (STEPS * STEP_NS + 1) == q for b in behind) for q in range(4)]
        assert min(quarters) > 40


@pytest.mark.parametrize("hz", [1.0, 10.0, 50.0, 60.0, 100.0, 120.0])
def test_packets_meet_every_part_of_what_is_periodic_and_each_second_its_one(hz: float) -> None:
    # RFC 2330 section 11.1.1: periodic sampling sees what is periodic at one place only.
    schedule, at = Schedule(Random(1).random), []
    schedule.add(A, interval_s=1, first_ns=MonoNs(NS_PER_S - STEPS * STEP_NS))
    for _ in range(400):
        due = schedule.next_ns()
        assert due is not None
        schedule.due(due)
        at.append(due)
    assert [t // NS_PER_S for t in at] == list(range(400))
    places = [t * hz / NS_PER_S % 1.0 for t in at]
    met = {int(4 * p) for p in places}
    assert met == ({0, 1, 2, 3} if hz >= 10 else {3})
