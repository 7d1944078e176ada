"""Packets in flight: each sent packet has one fate, and the figures are those of RFC 8762's four stamps."""

from collections import Counter
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.model.sample import Fate, Sample
from whichhop.model.units import MonoNs
from whichhop.wire.flight import LINGER_NS, WAIT_NS, Flight
from whichhop.wire.quoted import Refusal

S, MS = 1_000_000_000, 1_000_000
NOON = 1_704_067_200 * S
"""2024-01-01 UTC; the monotonic clock of these tests reads 0 then."""


def send(flight: Flight, at_ns: int) -> int:
    seq = flight.next_seq
    flight.sent(seq, NOON + at_ns, MonoNs(at_ns))
    return seq


def back(flight: Flight, seq: int, at_ns: int, **more: object) -> tuple[Sample, ...]:
    return flight.answered(seq, t4_ns=NOON + at_ns, utc_ns=NOON + at_ns, mono_ns=MonoNs(at_ns), **more)  # type: ignore[arg-type]


def test_a_round_trip_is_net_of_the_reflectors_holding_time() -> None:
    # forward 10 ms, held 0.1 ms, backward 10 ms, the far clock an hour ahead (RFC 8762 1: T1 to T4)
    flight, far = Flight(), NOON + 3600 * S
    send(flight, 0)
    (sample,) = back(flight, 0, 20_100_000, t2_ns=far + 10 * MS, t3_ns=far + 10_100_000)
    assert sample == Sample(
        sent_ns=NOON, fate=Fate.ANSWERED, rtt_ns=20 * MS, out_ns=3600 * S + 10 * MS, queue_ns=None
    )


def test_an_echo_needs_no_far_stamps() -> None:
    flight = Flight(seq_bits=16)
    send(flight, 0)
    assert back(flight, 0, 5 * MS) == (Sample(sent_ns=NOON, fate=Fate.ANSWERED, rtt_ns=5 * MS),)


def test_the_scheduling_stamp_is_t1_and_the_rest_the_own_queue() -> None:
    flight = Flight(kernel_stamps=True)
    send(flight, 0)
    assert flight.stamped(0, None, NOON + 2_000) == ()
    assert back(flight, 0, 5 * MS) == ()  # the driver's stamp is still to come
    (sample,) = flight.stamped(0, NOON + 9_000)
    assert (sample.sent_ns, sample.rtt_ns, sample.queue_ns) == (NOON + 2_000, 5 * MS - 2_000, 7_000)


def test_an_answer_whose_kernel_stamp_never_comes_settles_after_the_waiting_time() -> None:
    flight = Flight(kernel_stamps=True)
    send(flight, 0)
    assert back(flight, 0, 5 * MS) == ()
    assert flight.expire(MonoNs(WAIT_NS)) == ()
    (sample,) = flight.expire(MonoNs(WAIT_NS + 1))
    assert (sample.fate, sample.rtt_ns) == (Fate.ANSWERED, 5 * MS)


def test_the_followed_up_send_time_of_the_reflector_replaces_the_earlier_one() -> None:
    flight = Flight()
    send(flight, 0)
    stamps = {"t2_ns": NOON + 2 * MS, "t3_ns": NOON + 2 * MS + 1_000, "far_seq": 0, "follow_up": True}
    assert back(flight, 0, 5 * MS, **stamps) == ()
    (sample,) = flight.followed_up(0, NOON + 2 * MS + 51_000)
    assert sample.rtt_ns == 5 * MS - 51_000
    assert flight.facts().stamps == "T3"


def test_a_follow_up_that_tells_nothing_settles_what_it_is_about() -> None:
    flight = Flight()
    for at in range(2):
        send(flight, at * S)
        back(flight, at, at * S + MS, t2_ns=NOON, t3_ns=NOON + 9, far_seq=at, follow_up=True)
    assert len(flight) == 2
    assert [s.sent_ns for s in flight.followed_up(0, None)] == [NOON]
    assert len(flight) == 1


def test_an_answer_after_the_waiting_time_is_late_and_keeps_its_round_trip() -> None:
    # RFC 7680: the waiting time is a stated parameter, and what exceeds it is lost
    flight = Flight()
    send(flight, 0)
    assert flight.expire(MonoNs(WAIT_NS + MS)) == ()
    (sample,) = back(flight, 0, WAIT_NS + 2 * MS)
    assert (sample.fate, sample.rtt_ns) == (Fate.LATE, WAIT_NS + 2 * MS)
    assert sample.fate.lost


def test_a_packet_unanswered_is_lost_once_and_its_answer_then_too_late() -> None:
    flight = Flight()
    send(flight, 0)
    assert flight.expire(MonoNs(WAIT_NS + LINGER_NS)) == ()
    assert flight.expire(MonoNs(WAIT_NS + LINGER_NS + 1)) == (Sample(sent_ns=NOON, fate=Fate.LOST),)
    assert flight.expire(MonoNs(WAIT_NS + LINGER_NS + 2)) == ()
    assert back(flight, 0, WAIT_NS + LINGER_NS + 3) == ()
    assert flight.facts().too_late == 1


def test_the_first_copy_counts_and_further_ones_are_counted() -> None:
    flight = Flight()
    send(flight, 0)
    assert len(back(flight, 0, MS)) == 1
    assert back(flight, 0, 2 * MS) == back(flight, 0, 3 * MS) == ()
    facts = flight.facts()
    assert (facts.answered, facts.duplicates) == (1, 2)
    assert flight.facts().duplicates == 0


def test_reordering_is_counted_by_rfc_4737s_next_expected() -> None:
    # RFC 4737 3.3: a packet is reordered when its number is below the next expected; here 3 and 4 behind 5
    flight = Flight()
    for at in range(6):
        send(flight, at)
    for seq in (0, 1, 2, 5, 3, 4):
        back(flight, seq, 10 + seq)
    assert flight.facts().reordered == 2


@given(st.lists(st.integers(0, 60), unique=True, max_size=60))
def test_any_order_is_counted_as_rfc_4737_defines_it(arrivals: list[int]) -> None:
    # RFC 4737 3.3 as defined: reordered is what comes after any packet with a larger number
    flight = Flight()
    for at in range(61):
        send(flight, at)
    for at, seq in enumerate(arrivals):
        back(flight, seq, 100 + at)
    late = [seq for at, seq in enumerate(arrivals) if any(seq < before for before in arrivals[:at])]
    assert flight.facts().reordered == len(late)


def test_answers_to_nothing_asked_are_refused() -> None:
    flight = Flight()
    assert back(flight, 0, MS) == ()
    send(flight, 0)
    assert back(flight, 1, MS) == ()
    assert flight.facts().refused == {Refusal.UNASKED: 2}


@pytest.mark.parametrize("step_ns", [2 * MS, -2 * MS, 3600 * S])
def test_a_wall_clock_that_steps_meanwhile_sets_the_sample_aside(step_ns: int) -> None:
    flight = Flight()
    send(flight, 0)
    (sample,) = flight.answered(
        0, t4_ns=NOON + 9 * MS + step_ns, utc_ns=NOON + 9 * MS + step_ns, mono_ns=MonoNs(9 * MS)
    )
    assert sample == Sample(sent_ns=NOON, fate=Fate.CLOCK_STEP)
    assert sample.fate.set_aside


def test_a_clock_that_is_only_slewed_does_not_set_samples_aside() -> None:
    flight = Flight()
    send(flight, 0)
    (sample,) = flight.answered(
        0, t4_ns=NOON + 2 * S, utc_ns=NOON + 2 * S + MS, mono_ns=MonoNs(2 * S)
    )  # 500 ppm over 2 s, the most that adjtime does (common practice)
    assert sample.fate is Fate.ANSWERED


@pytest.mark.parametrize("held_ns", [-MS, 10 * MS])
def test_a_reflectors_clock_that_steps_while_it_holds_the_packet_is_seen(held_ns: int) -> None:
    flight = Flight()
    send(flight, 0)
    (sample,) = back(flight, 0, 9 * MS, t2_ns=NOON, t3_ns=NOON + held_ns)
    assert sample.fate is Fate.CLOCK_STEP


def test_what_could_not_be_sent_or_slept_is_set_aside_and_never_lost() -> None:
    flight = Flight()
    send(flight, 0)
    assert flight.settle(0, Fate.NOT_SENT) == (Sample(sent_ns=NOON, fate=Fate.NOT_SENT),)
    assert flight.settle(0, Fate.LOST) == ()
    send(flight, 1)
    assert [s.fate for s in flight.set_aside(Fate.ASLEEP)] == [Fate.ASLEEP]
    assert flight.expire(MonoNs(60 * S)) == ()


def test_a_sixteen_bit_number_goes_on_past_its_end() -> None:
    flight = Flight(seq_bits=16)
    for n in range(70_000):
        send(flight, n * MS)
        assert len(back(flight, n & 0xFFFF, n * MS + 1)) == 1
        if n % 1000 == 0:
            flight.expire(MonoNs(n * MS))
    assert flight.facts().answered == 70_000


def lossy(flight: Flight, ways: str, *, stateful: bool = True) -> list[Fate]:
    """One packet a second over a path; a answered, o lost out, b lost back. All fates in the order sent."""
    fates: dict[int, Fate] = {}
    arrived = 0

    def note(samples: tuple[Sample, ...]) -> None:
        for sample in samples:
            seq = (sample.sent_ns - NOON) // S
            assert seq not in fates
            fates[seq] = sample.fate

    for n, way in enumerate(ways):
        send(flight, n * S)
        if way == "a":
            note(back(flight, n, n * S + MS, far_seq=arrived if stateful else n))
        arrived += way in "ab"
        note(flight.expire(MonoNs(n * S + 500 * MS)))
    note(flight.expire(MonoNs(len(ways) * S + 10 * S)))
    assert sorted(fates) == list(range(len(ways)))
    return [fates[n] for n in range(len(ways))]


def test_a_stateful_reflectors_numbers_give_losses_their_way() -> None:
    fates = lossy(Flight(far_counts=True), "aaobaaaabbbaaooaa")
    assert Counter(fates) == {Fate.ANSWERED: 10, Fate.LOST_OUT: 3, Fate.LOST_BACK: 4}


def test_a_reflector_not_known_to_count_is_believed_once_its_numbers_differ() -> None:
    assert lossy(Flight(), "aobaaaa")[1:3] == [Fate.LOST_OUT, Fate.LOST_BACK]
    # copies of our numbers look like losses on the way back only: nothing may be said
    assert lossy(Flight(), "aaobaaaa", stateful=False)[2:4] == [Fate.LOST, Fate.LOST]
    assert lossy(Flight(), "aabaaaa")[2] is Fate.LOST


def test_losses_at_the_end_have_no_way() -> None:
    assert lossy(Flight(far_counts=True), "aaoob")[2:] == [Fate.LOST] * 3


def test_an_outage_longer_than_all_memory_ends_with_its_last_losses_told() -> None:
    fates = lossy(Flight(far_counts=True), "aaa" + "o" * 60 + "aaaa")
    assert set(fates[3:58]) == {Fate.LOST}
    assert set(fates[58:63]) == {Fate.LOST_OUT}


@given(st.text("aaaaaob", max_size=80), st.sampled_from([True, None]))
def test_every_packet_has_one_fate_and_no_way_is_told_wrong_in_count(ways: str, counts: bool | None) -> None:
    fates = lossy(Flight(far_counts=counts), ways)
    assert fates.count(Fate.ANSWERED) == ways.count("a")
    assert fates.count(Fate.LOST_OUT) <= ways.count("o")
    assert fates.count(Fate.LOST_BACK) <= ways.count("b")


def test_a_long_run_keeps_little_in_mind_and_accounts_for_every_packet() -> None:
    dice, flight, fates = Random(3), Flight(far_counts=True), Counter[Fate]()
    arrived = 0
    for n in range(20_000):
        at = n * 20 * MS  # 50 packets a second, 2 % lost each way
        send(flight, at)
        if dice.random() > 0.02:
            if dice.random() > 0.02:
                fates.update(s.fate for s in back(flight, n, at + MS, far_seq=arrived))
            arrived += 1
        if n % 50 == 0:
            fates.update(s.fate for s in flight.expire(MonoNs(at)))
            assert len(flight._packets) <= 10 * 50 + 51
    fates.update(s.fate for s in flight.expire(MonoNs(20_000 * 20 * MS + 10 * S)))
    assert fates.total() == 20_000
    assert abs(fates[Fate.LOST_OUT] - 400) < 80  # 4 standard deviations of a binomial
    assert abs(fates[Fate.LOST_BACK] - 392) < 80
    assert fates[Fate.LOST] < 5


deeds = st.lists(
    st.tuples(
        st.sampled_from(["send", "stamp", "answer", "follow", "settle", "expire"]),
        st.integers(0, 2**32 - 1) | st.integers(0, 12),
        st.integers(-(2**40), 2**40),
    ),
    max_size=60,
)


@given(deeds, st.booleans())
def test_no_order_of_events_raises_or_gives_a_packet_two_fates(
    events: list[tuple[str, int, int]], kernel: bool
) -> None:
    flight, sent, samples, now = Flight(kernel_stamps=kernel), 0, 0, 0
    for deed, number, ns in events:
        now += abs(ns) % (2 * S)
        match deed:
            case "send":
                send(flight, now)
                sent += 1
                got: tuple[Sample, ...] = ()
            case "stamp":
                got = flight.stamped(number, NOON + ns, NOON + ns if number % 2 else None)
            case "answer":
                got = back(flight, number, now, t2_ns=ns, t3_ns=ns + 5, far_seq=number, follow_up=ns % 2 == 0)
            case "follow":
                got = flight.followed_up(number, NOON + ns)
            case "settle":
                got = flight.settle(number, Fate.NOT_SENT)
            case _:
                got = flight.expire(MonoNs(now))
        samples += len(got)
        assert samples + len(flight) == sent
    samples += len(flight.expire(MonoNs(now + 100 * S)))
    assert samples == sent


def test_who_waits_for_nobody_is_told_what_is_unanswered_so_far() -> None:
    flight = Flight()
    for second in range(5):
        send(flight, second * S)
    back(flight, 1, S + 20 * MS)
    # At 4.5 s, of what was sent two seconds ago and more: 0 and 2; 1 is answered, 3 and 4 are too young.
    assert flight.unanswered(MonoNs(4 * S + 500 * MS - 2 * S)) == [NOON, NOON + 2 * S]
    # It takes nothing away: an answer in time is still an answer.
    (sample,) = back(flight, 2, 2 * S + 2900 * MS)
    assert sample.fate is Fate.ANSWERED
    flight.expire(MonoNs(WAIT_NS + LINGER_NS + 1))
    assert flight.unanswered(MonoNs(3 * S)) == []
