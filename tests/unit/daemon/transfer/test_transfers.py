"""The home's use of its line from counters, and when a planned transfer is tried again."""

import itertools

from support.homes import alder
from whichhop.daemon.transfer.lease import FRESH_NS, LeaseUse, LineUse, busy_words
from whichhop.daemon.transfer.schedule import FIRST_RETRY_NS, LATE_NS, Due, Pair, Turns

S = 1_000_000_000
PAIR = Pair(agent="desk", other_end="attic")


def due(at_s: int) -> Due:
    return Due(at_ns=at_s * S, pair=PAIR, octets=1)


def test_use_is_the_rate_between_the_last_two_counts() -> None:
    use = LineUse()
    for at, received, sent in ((0, 0, 0), (10, 1e6, 2e6), (20, 26e6, 2e6)):
        use.add(at * S, received, sent)
    assert use.now(21 * S) == LeaseUse(down_bps=20e6, up_bps=0.0)


def test_use_is_unknown_before_two_counts_when_they_are_old_and_after_a_reset() -> None:
    use = LineUse()
    assert use.now(0) == LeaseUse()
    use.add(0, 5e6, 5e6)
    assert use.now(1) == LeaseUse()
    use.add(10 * S, 1e6, 6e6)
    assert use.now(11 * S) == LeaseUse()
    use.add(20 * S, 2e6, 7e6)
    assert use.now(21 * S).down_bps == 0.8e6
    assert use.now(20 * S + FRESH_NS + 1) == LeaseUse()


def test_a_fifth_of_the_plan_in_either_direction_is_busy_and_unknown_use_is_not() -> None:
    home = alder()  # 100 Mbit/s down, 20 up
    assert busy_words(LeaseUse(down_bps=19e6, up_bps=3.9e6), home) == ""
    assert "4.1 Mbit/s up" in busy_words(LeaseUse(down_bps=0, up_bps=4.1e6), home)
    assert "21.0 Mbit/s down" in busy_words(LeaseUse(down_bps=21e6, up_bps=0), home)
    assert busy_words(LeaseUse(), home) == ""


def test_a_due_transfer_is_ready_once_and_not_before() -> None:
    turns = Turns(0)
    assert turns.ready([due(100)], 99 * S) == []
    assert turns.ready([due(100)], 100 * S) == [due(100)]
    turns.done(due(100))
    assert turns.ready([due(100)], 101 * S) == []


def test_what_was_due_before_the_agent_began_is_left_out() -> None:
    assert Turns(200 * S).ready([due(100)], 201 * S) == []


def test_a_skipped_one_waits_twice_as_long_each_time_and_is_given_up_at_last() -> None:
    turns, one, now = Turns(0), due(100), 100 * S
    tries = []
    while now < one.at_ns + 2 * LATE_NS:
        if turns.ready([one], now):
            tries.append(now)
            turns.skipped(one, now)
        now += S
    waits = [b - a for a, b in itertools.pairwise(tries)]
    assert waits == [FIRST_RETRY_NS * 2**n for n in range(len(waits))]
    assert len(waits) >= 3
    assert tries[-1] < one.at_ns + LATE_NS
