"""Steady streams keep their grid, and what could not be sent in time is skipped, not made up for."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.daemon.schedule import Schedule
from whichhop.model import Method, SessionKey
from whichhop.model.units import NS_PER_S, MonoNs

A = SessionKey(agent="desk", target="attic", method=Method.STAMP)
B = SessionKey(agent="desk", target="router", method=Method.ECHO)


def test_each_session_is_due_on_its_own_grid() -> None:
    schedule = Schedule()
    schedule.add(A, interval_s=1, first_ns=MonoNs(100))
    schedule.add(B, interval_s=1, first_ns=MonoNs(500))
    assert schedule.next_ns() == 100
    assert schedule.due(MonoNs(99)) == []
    assert schedule.due(MonoNs(100)) == [(A, 100)]
    assert schedule.due(MonoNs(600)) == [(B, 500)]
    assert schedule.next_ns() == NS_PER_S + 100


def test_a_stalled_loop_sends_one_packet_and_counts_the_rest_as_skipped() -> None:
    schedule = Schedule()
    schedule.add(A, interval_s=1, first_ns=MonoNs(0))
    late = MonoNs(round(7.5 * NS_PER_S))
    assert schedule.due(late) == [(A, 7 * NS_PER_S)]
    assert schedule.skipped[A] == 7
    assert schedule.due(late) == []
    assert schedule.next_ns() == 8 * NS_PER_S


def test_a_session_is_scheduled_once_and_can_be_forgotten() -> None:
    schedule = Schedule()
    schedule.add(A, interval_s=1, first_ns=MonoNs(0))
    schedule.add(B, interval_s=1, first_ns=MonoNs(0))
    with pytest.raises(ValueError, match="already"):
        schedule.add(A, interval_s=1, first_ns=MonoNs(0))
    schedule.keep_only([B])
    assert A not in schedule
    assert [k for k, _ in schedule.due(MonoNs(0))] == [B]
    assert Schedule().next_ns() is None


@given(
    st.floats(0.02, 3),
    st.integers(0, NS_PER_S),
    st.lists(st.integers(1, 5 * NS_PER_S), min_size=1, max_size=40),
)
def test_sent_and_skipped_add_up_to_the_grid(interval_s: float, first: int, steps: list[int]) -> None:
    schedule = Schedule()
    schedule.add(A, interval_s=interval_s, first_ns=MonoNs(first))
    interval = round(interval_s * NS_PER_S)
    now, sent = 0, []
    for step in steps:
        now += step
        sent += [at for _, at in schedule.due(MonoNs(now))]
    ticks = 0 if now < first else (now - first) // interval + 1
    assert len(sent) + schedule.skipped[A] == ticks
    assert all((at - first) % interval == 0 for at in sent)
    assert sent == sorted(set(sent))
