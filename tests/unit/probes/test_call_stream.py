"""The call stream's timetable under a clock moved by hand."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.model.units import NS_PER_S, MonoNs
from whichhop.probes.call_stream import CallStream

MS = 1_000_000


def test_fifty_packets_a_second_for_ten_seconds_every_five_minutes() -> None:
    stream = CallStream(start_ns=MonoNs(7 * NS_PER_S))
    sent = []
    while stream.next_ns() < 700 * NS_PER_S:
        now = stream.next_ns()
        assert stream.due(now)
        sent.append(now)
    starts = [7, 307, 607]
    assert len(sent) == 3 * 500
    assert sent == [s * NS_PER_S + n * 20 * MS for s in starts for n in range(500)]
    assert stream.skipped == 0


@given(st.integers(0, 299 * NS_PER_S), st.lists(st.integers(0, 40 * NS_PER_S), min_size=1, max_size=80))
def test_no_stretch_ever_sends_faster_than_its_rhythm_nor_outside_it(start: int, steps: list[int]) -> None:
    stream = CallStream(start_ns=MonoNs(start))
    now, slots = 0, []
    for step in steps:
        now += step
        if stream.due(MonoNs(now)):
            assert (now - start) % (300 * NS_PER_S) < 10 * NS_PER_S
            slots.append((now - start) // (20 * MS))
    assert len(slots) == len(set(slots)), "each 20 ms slot sends once at most"
    assert stream.next_ns() > now - 20 * MS


@given(st.lists(st.integers(1, 700 * NS_PER_S), min_size=1, max_size=40))
def test_each_packet_is_sent_or_counted_as_skipped(steps: list[int]) -> None:
    stream = CallStream(start_ns=MonoNs(0))
    now = sent = 0
    for step in steps:
        now += step
        sent += stream.due(MonoNs(now))
    stretches, within = divmod(now, 300 * NS_PER_S)
    passed = stretches * 500 + min(500, within // (20 * MS) + 1)
    assert sent + stream.skipped == passed


def test_a_machine_that_slept_through_a_stretch_does_not_make_up_for_it() -> None:
    stream = CallStream(start_ns=MonoNs(0))
    assert stream.due(MonoNs(0))
    assert not stream.due(MonoNs(100 * NS_PER_S))
    assert stream.skipped == 499
    assert stream.next_ns() == 300 * NS_PER_S
    assert not stream.due(MonoNs(100 * NS_PER_S))


def test_before_its_phase_nothing_is_due() -> None:
    stream = CallStream(start_ns=MonoNs(5))
    assert not stream.due(MonoNs(4))


def test_a_stretch_longer_than_its_period_is_refused() -> None:
    with pytest.raises(ValueError, match="gap <= stretch <= period"):
        CallStream(start_ns=MonoNs(0), stretch_ns=NS_PER_S, every_ns=NS_PER_S // 2)
