"""Steady streams keep their grid, each packet a little behind it, and what was missed is skipped."""

from itertools import pairwise
from random import Random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.daemon.schedule import PLACES, STEP_NS, STEPS, Schedule, spread_ns
from whichhop.inside.rhythm import period_of
from whichhop.model import Method, SessionKey
from whichhop.model.units import NS_PER_S, MonoNs, UtcNs

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


def _running(sessions: int, seconds: int, seed: int, *, apart: bool = False) -> dict[SessionKey, list[int]]:
    """When each session's packets leave. apart: each session from a random start of its own."""
    schedule, dice = Schedule(Random(seed).random), Random(-seed)
    sent: dict[SessionKey, list[int]] = {}
    for n in range(sessions):
        key = SessionKey(agent="desk", target=f"t{n}", method=Method.ECHO)
        first = schedule.first_ns(1.0, MonoNs(0), UtcNs(0))
        own = MonoNs(round(dice.random() * (NS_PER_S - STEPS * STEP_NS)))
        schedule.add(key, interval_s=1, first_ns=own if apart else first)
        sent[key] = []
    while (due := schedule.next_ns()) is not None and due < seconds * NS_PER_S:
        for key in schedule.due(due):
            sent[key].append(due)
    return sent


def test_an_agents_sessions_share_four_wake_ups_a_second_each_within_its_own_spread() -> None:
    sent = _running(20, 300, 1)
    assert all([t // NS_PER_S for t in at] == list(range(300)) for at in sent.values())
    assert len({t for at in sent.values() for t in at}) == len(PLACES) * 300
    places = sorted(min(at) % NS_PER_S for at in (list(sent.values())[n] for n in range(len(PLACES))))
    assert all(100_000_000 < b - a < 350_000_000 for a, b in pairwise(places))
    for at in sent.values():
        # as likely in each quarter of its spread: of 300 even draws 75 each, deviation 7.5
        behind = [t % NS_PER_S for t in at]
        quarters = [sum(4 * (b - min(behind)) // (STEPS * STEP_NS) == q for b in behind) for q in range(4)]
        assert min(quarters) > 40


@pytest.mark.parametrize("every_s", [15, 30, 60])
def test_what_comes_at_a_period_is_found_as_often_as_by_packets_that_each_leave_alone(every_s: int) -> None:
    # A radio that looks at other channels is away for some 100 ms on each (common practice): four of them.
    found = dict.fromkeys((False, True), 0)
    for seed in range(1, 11):
        begin = Random(every_s + seed).uniform(0, every_s)
        for apart in found:
            at = [t / NS_PER_S for times in _running(4, 900, seed, apart=apart).values() for t in times]
            bad = [t for t in at if (t - begin) % every_s < 0.4]
            period = period_of(np.array(bad), 900.0)
            found[apart] += period is not None and abs(period.every_s - every_s) < 0.02 * every_s
    assert found[False] >= max(9, found[True])


def test_sessions_of_other_paces_keep_theirs() -> None:
    schedule, at = Schedule(Random(3).random), dict[SessionKey, list[int]]()
    for n, every_s in enumerate((0.05, 0.5, 1.0, 2.5, 10.0)):
        key = SessionKey(agent="desk", target=str(every_s), method=Method.ECHO)
        first = schedule.first_ns(every_s, MonoNs(7 * n), UtcNs(NS_PER_S // 3 + 7 * n))
        assert 7 * n <= first < 7 * n + every_s * NS_PER_S
        schedule.add(key, interval_s=every_s, first_ns=first)
        at[key] = []
    while (due := schedule.next_ns()) is not None and due < 100 * NS_PER_S:
        for key in schedule.due(due):
            at[key].append(due)
    many = [len(times) for times in at.values()]
    assert many == pytest.approx([2000, 200, 100, 40, 10], abs=1)  # the last may be a moment behind the end
    assert not sum(schedule.skipped.values())


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
