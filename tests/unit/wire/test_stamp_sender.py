"""A sender against our reflector over a path in memory: figures, counts and refusals."""

from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from support import stamp_vectors as v
from whichhop.model.sample import Fate, Sample
from whichhop.model.units import MonoNs
from whichhop.wire import stamp_tlv as t
from whichhop.wire.ntp64 import ErrorEstimate, estimate_error
from whichhop.wire.quoted import Refusal
from whichhop.wire.stamp import StampAnswer, pack_answer, unpack_answer
from whichhop.wire.stamp_reflector import Reflector
from whichhop.wire.stamp_sender import StampSender

MS = 1_000_000
ASKER = ("192.0.2.20", 40_000)
ESTIMATE = estimate_error(MS, synced=True)
FAR = 86_400_000_000_000
"""The reflector's clock is a day ahead: a round trip must not care."""
INFORMATION = t.TimestampInformation(method_in=t.StampMethod.SOFTWARE, method_out=t.StampMethod.CONTROL_PLANE)


def pair(key: bytes | None = None, **more: object) -> tuple[StampSender, Reflector]:
    sender = StampSender(ssid=v.SSID, estimate=ESTIMATE, key=key, **more)  # type: ignore[arg-type]
    return sender, Reflector(estimate=ESTIMATE, key=key, information=INFORMATION)


def reflect(by: Reflector, data: bytes, at_ns: int, held_ns: int = 100_000) -> bytes:
    out = by.reflect(data, ASKER, v.NOON_NS + FAR + at_ns, v.NOON_NS + FAR + at_ns + held_ns, ttl=60, dscp=10)
    assert not isinstance(out, Refusal)
    return bytes(out)


def ask(sender: StampSender, at_ns: int) -> bytes:
    return sender.ask(v.NOON_NS + at_ns, MonoNs(at_ns))


def take(sender: StampSender, data: bytes, at_ns: int) -> tuple[Sample, ...]:
    utc_ns = v.NOON_NS + at_ns
    return sender.answer(data, t4_ns=utc_ns, utc_ns=utc_ns, mono_ns=MonoNs(at_ns), t4_kernel=True)


@pytest.mark.parametrize("ptp", [False, True])
@pytest.mark.parametrize("key", [None, v.KEY])
def test_ten_milliseconds_each_way_are_twenty_to_the_nanosecond(key: bytes | None, ptp: bool) -> None:
    sender, by = pair(key, extended=False)
    sender.estimate = by.estimate = replace(ESTIMATE, ptp=ptp)
    (sample,) = take(sender, reflect(by, ask(sender, 0), 10 * MS), 20_100_000)
    assert sample == Sample(
        sent_ns=v.NOON_NS, fate=Fate.ANSWERED, rtt_ns=20 * MS, out_ns=FAR + 10 * MS, queue_ns=None
    )


@pytest.mark.parametrize("key", [None, v.KEY])
def test_the_reflectors_true_send_time_makes_the_round_trip_exact(key: bytes | None) -> None:
    # the answer leaves 300 us after its own stamp says; only the follow-up knows (RFC 8972 4.7)
    sender, by = pair(key)
    samples: list[Sample] = []
    for n in range(5):
        at = n * 1000 * MS
        data = reflect(by, ask(sender, at), at + 10 * MS)
        by.left(by.session, n, v.NOON_NS + FAR + at + 10 * MS + 400_000, t.StampMethod.SOFTWARE)
        samples += take(sender, data, at + 20 * MS + 400_000)
    assert [s.rtt_ns for s in samples] == [20 * MS] * 4
    assert sender.flight.facts().stamps == "T2 T3 T4"
    (last,) = sender.flight.expire(MonoNs(8000 * MS))
    assert last.rtt_ns == 20_300_000  # nothing followed it: by its own stamp


def test_a_reflector_of_rfc_8762_alone_gives_samples_at_once() -> None:
    sender, by = pair()
    full = unpack_answer(reflect(by, ask(sender, 0), 10 * MS))
    assert isinstance(full, StampAnswer)
    plain = pack_answer(full._replace(ssid=0, rest=b""))
    assert [s.rtt_ns for s in take(sender, plain, 20_100_000)] == [20 * MS]


def test_a_twamp_light_reflectors_short_answer_is_used() -> None:
    sender, by = pair(extended=False)
    data = reflect(by, ask(sender, 0), 10 * MS)[:41]
    assert [s.rtt_ns for s in take(sender, data, 20_100_000)] == [20 * MS]


def test_the_mark_that_arrived_is_reported() -> None:
    sender, by = pair(dscp=46)
    take(sender, reflect(by, ask(sender, 0), 10 * MS), 20 * MS)
    assert sender.seen_classes == t.ClassOfService(dscp1=0, dscp2=10)


def test_one_way_may_be_shown_only_while_both_clocks_are_known() -> None:
    sender, by = pair(extended=False)
    by.estimate = estimate_error(3 * MS, synced=True)
    take(sender, reflect(by, ask(sender, 0), 1), 2 * MS)
    assert sender.clock_error_ns == by.estimate.error_ns
    by.estimate = estimate_error(None, synced=False)
    take(sender, reflect(by, ask(sender, 3 * MS), 4 * MS), 5 * MS)
    assert sender.clock_error_ns is None


@pytest.mark.parametrize("size", [64, 200, 1400])
def test_padding_makes_packets_longer_by_what_was_asked(size: int) -> None:
    sender, _ = pair(v.KEY, pad_octets=size)
    bare, _ = pair(v.KEY)
    assert len(ask(sender, 0)) == len(ask(bare, 0)) + size


@pytest.mark.parametrize(
    ("spoil", "reason"),
    [
        (lambda a: a._replace(ssid=1), Refusal.UNASKED),
        (lambda a: a._replace(t1=a.t1 + 1), Refusal.UNASKED),
        (lambda a: a._replace(sender_seq=9), Refusal.UNASKED),
        (lambda a: a._replace(estimate=ErrorEstimate.from_field(0x8000)), Refusal.CORRUPT_ESTIMATE),
        (
            lambda a: a._replace(estimate=replace(a.estimate, ptp=True), t2=0xFFFFFFFF),
            Refusal.MALFORMED,
        ),
    ],
)
def test_answers_that_cannot_be_ours_are_refused_and_the_packet_stays_in_flight(
    spoil: object, reason: Refusal
) -> None:
    sender, by = pair(extended=False)
    good = unpack_answer(reflect(by, ask(sender, 0), 10 * MS))
    assert isinstance(good, StampAnswer)
    assert take(sender, pack_answer(spoil(good)), 20 * MS) == ()  # type: ignore[operator]
    assert (sender.flight.facts().refused, len(sender.flight)) == ({reason: 1}, 1)


def test_an_authenticated_sender_takes_no_plain_or_forged_answer() -> None:
    sender, by = pair(v.KEY, extended=False)
    data = reflect(by, ask(sender, 0), 10 * MS)
    assert take(sender, data[:44], 20 * MS) == take(sender, data[:-1] + b"\0", 20 * MS) == ()
    assert sender.flight.facts().refused == {Refusal.TRUNCATED: 1, Refusal.BAD_TAG: 1}
    assert len(take(sender, data, 20 * MS)) == 1
    assert take(sender, data, 20 * MS) == ()
    assert sender.flight.facts().duplicates == 1


@given(st.binary(max_size=200), st.sampled_from([None, v.KEY]))
def test_no_octets_make_the_sender_raise(data: bytes, key: bytes | None) -> None:
    sender, _ = pair(key)
    ask(sender, 0)
    take(sender, data, MS)
    assert len(sender.flight) == 1


@given(st.integers(0, 200), st.binary(max_size=8))
def test_no_damage_to_a_true_answer_makes_the_sender_raise(at: int, octets: bytes) -> None:
    sender, by = pair(dscp=0)
    data = reflect(by, ask(sender, 0), 10 * MS)
    take(sender, data[:at] + octets + data[at + len(octets) :], 20 * MS)
    assert len(sender.flight) <= 1


def test_a_reflector_that_copies_sealed_extensions_unread_is_no_forger() -> None:
    # RFC 8762 4.6: a reflector that knows no extensions sends the octets back as they came
    sender, by = pair(v.KEY)
    data = ask(sender, 0)
    true = reflect(by, data, 10 * MS)
    assert [s.rtt_ns for s in take(sender, true[:112] + data[112:], 20_100_000)] == [20 * MS]
    assert sender.flight.facts().refused == {}


@pytest.mark.parametrize("key", [None, v.KEY])
@pytest.mark.parametrize("way", ["out", "back"])
def test_two_per_cent_lost_one_way_are_all_told_to_be_lost_that_way(key: bytes | None, way: str) -> None:
    sender, by = pair(key)
    dice, samples, lost, total = Random(11), list[Sample](), 0, 1500
    for n in range(total):
        at = n * 1000 * MS
        data = ask(sender, at)
        gone = dice.random() < 0.02 and 1 < n < total - 10
        lost += gone
        if not (gone and way == "out"):
            data = reflect(by, data, at + 10 * MS)
            if not gone:
                samples += take(sender, data, at + 20 * MS)
        samples += sender.flight.expire(MonoNs(at + 500 * MS))
    samples += sender.flight.expire(MonoNs(total * 1000 * MS + 10_000 * MS))
    fates = [s.fate for s in samples]
    assert len(fates) == total
    assert lost > 10
    assert fates.count(Fate.LOST_OUT if way == "out" else Fate.LOST_BACK) == lost
    assert fates.count(Fate.ANSWERED) == total - lost
