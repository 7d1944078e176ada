"""The reflector: RFC 8762 4.3 and 4.6, RFC 8972 3 and 4."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from support import stamp_vectors as v
from whichhop.wire import stamp_tlv as t
from whichhop.wire.ntp64 import ErrorEstimate, ntp_from_utc
from whichhop.wire.quoted import Refusal
from whichhop.wire.stamp import Ask, StampAnswer, pack_ask, unpack_answer
from whichhop.wire.stamp_reflector import WINDOW, Reflected, Reflector
from whichhop.wire.stamp_refusal import Reason, refusal

ESTIMATE = ErrorEstimate.from_field(v.ESTIMATE)
ASKER = ("192.0.2.20", 40_000)
T2, T3 = v.NOON_NS + 10_000_000, v.NOON_NS + 10_100_000
KEYS = [None, v.KEY]


def reflector(key: bytes | None = None, **more: int) -> Reflector:
    return Reflector(estimate=ESTIMATE, key=key, **more)  # type: ignore[arg-type]


def octets(by: Reflector, data: bytes, asker: tuple[str, int] = ASKER, t2: int = T2, t3: int = T3) -> bytes:
    out = by.reflect(data, asker, t2, t3, ttl=64, dscp=46, ecn=2)
    assert not isinstance(out, Refusal)
    return bytes(out)


def answer(by: Reflector, data: bytes, asker: tuple[str, int] = ASKER) -> StampAnswer:
    got = unpack_answer(octets(by, data, asker), by.key)
    assert isinstance(got, StampAnswer)
    return got


def ask(
    seq: int, key: bytes | None = None, *, ssid: int = v.SSID, late_ns: int = 0, rest: bytes = b""
) -> bytes:
    t1 = ntp_from_utc(v.NOON_NS + late_ns)
    return pack_ask(Ask(seq=seq, t1=t1, estimate=ESTIMATE, ssid=ssid, rest=rest), key)


def test_the_vectors_ask_gets_the_vectors_answer() -> None:
    by = reflector()
    for seq in range(2, 9):  # seven others first: the vector's answer is the reflector's number 7
        octets(by, ask(seq))
    assert octets(by, v.V2) == v.V3


def test_the_authenticated_vectors_ask_gets_the_vectors_answer() -> None:
    by = reflector(v.KEY)
    for seq in range(2, 9):
        octets(by, ask(seq, v.KEY, ssid=0))
    assert octets(by, v.V7) == v.V8


@pytest.mark.parametrize("key", KEYS)
def test_each_session_has_its_own_count_from_zero(key: bytes | None) -> None:
    by = reflector(key)
    other_port, other_host = (ASKER[0], 40_001), ("192.0.2.21", ASKER[1])
    no_identifier = 0 if key else 1  # with a key one identifier is one session, whatever the port
    for n in range(3):
        for asker, ssid in [(ASKER, no_identifier), (ASKER, 2), (other_port, no_identifier), (other_host, 1)]:
            got = answer(by, ask(n + 5, key, ssid=ssid), asker)
            assert (got.seq, got.sender_seq, got.ssid) == (n, n + 5, ssid)


@pytest.mark.parametrize("size", [*range(41, 50), 60, 300, 1472])
def test_an_answer_is_as_long_as_its_ask(size: int) -> None:
    data = (v.V2 + bytes(2000))[:size]
    assert len(octets(reflector(), data)) == size


@given(
    st.integers(0, 1500),
    st.binary(max_size=300),
    st.sampled_from(KEYS),
    st.sampled_from(KEYS),
    st.sampled_from(list(Reason)),
)
def test_no_octets_of_any_size_make_it_raise_or_amplify(
    size: int, tail: bytes, key: bytes | None, asked_with: bytes | None, reason: Reason
) -> None:
    # every size an Ethernet frame can carry; what is told instead of an answer is no longer either
    by = reflector(key)
    good = ask(3, asked_with, rest=bytes(1500))
    data = (good[: max(0, size - len(tail))] + tail)[:size]
    out = by.reflect(data, ASKER, T2, T3, ttl=64)
    if isinstance(out, Refusal):
        assert by.refused == {out: 1}
    else:
        assert len(out) == len(data)
    told = refusal(data, reason, key)
    assert told is None or len(told) <= len(data)


@pytest.mark.parametrize("key", KEYS)
def test_at_every_size_the_answer_is_no_longer_than_the_ask(key: bytes | None) -> None:
    by = reflector(key)
    for size in range(1501):
        out = by.reflect(ask(size, key, rest=bytes(1500))[:size], ASKER, T2, T3, ttl=64)
        assert isinstance(out, Refusal) == (size < (41 if key is None else 112))
        assert isinstance(out, Refusal) or len(out) <= size


def passed_on(first: bytes, ends: list[Reflector]) -> tuple[int, list[Refusal]]:
    """How often a packet is answered, each answer being handed to the next end in turn; at most 50 times."""
    data, answers = first, 0
    for n in range(50):
        by = ends[n % len(ends)]
        out = by.reflect(data, ("192.0.2.2", 5000), T2 + n * 1_000_000, T3 + n * 1_000_000, ttl=64)
        if isinstance(out, Refusal):
            return answers, list(by.refused)
        data, answers = bytes(out), answers + 1
    return answers, []


@pytest.mark.parametrize("key", KEYS)
@pytest.mark.parametrize("late_ns", [0, -86_400 * 10**9, 86_400 * 10**9])
@pytest.mark.parametrize("octets_behind", [0, 60, 1400])
def test_two_reflectors_do_not_go_on_answering_each_other(
    key: bytes | None, late_ns: int, octets_behind: int
) -> None:
    # the first packet claims to come from the other one; its stamp is of the attacker's choice
    first = ask(7, key, late_ns=late_ns, rest=bytes(octets_behind))
    answers, refused = passed_on(first, [reflector(key), reflector(key)])
    assert answers <= 3
    assert refused == [Refusal.LOOPED]


@pytest.mark.parametrize("first", [ask(7, rest=bytes(9)), bytes(13) + b"\1" + bytes(40)])
def test_what_an_echo_service_returns_is_not_answered_for_ever(first: bytes) -> None:
    # RFC 862: what comes is sent back, octet by octet
    answers, refused = passed_on(first, [reflector()] * 1)
    assert answers <= 3
    assert refused == [Refusal.LOOPED]


@pytest.mark.parametrize("asked_with", KEYS)
@pytest.mark.parametrize("keys", [(v.KEY, b"other" * 7), (None, v.KEY), (v.KEY, v.KEY), (None, None)])
def test_refusals_are_not_answered_by_refusals(
    keys: tuple[bytes | None, bytes | None], asked_with: bytes | None
) -> None:
    data: bytes | None = ask(7, asked_with)
    for n in range(3):
        assert data is not None
        told = refusal(data, Reason.KEY, keys[n % 2])
        if told is None:
            break
        data = told
    assert n <= 1


def test_a_signed_packet_played_again_from_another_port_is_refused() -> None:
    by = reflector(v.KEY)
    recorded = [ask(n, v.KEY, late_ns=n * 10_000_000) for n in range(20)]
    for data in recorded:
        octets(by, data)
    for port in (40_000, 5000, 65_535):
        for data in recorded:
            assert by.reflect(data, (ASKER[0], port), T2, T3, ttl=64) is Refusal.REPLAYED


def test_a_signed_packet_of_a_session_long_forgotten_is_refused() -> None:
    hour = 3600 * 10**9
    by = reflector(v.KEY, sessions_most=4)
    recorded = ask(1, v.KEY, ssid=99)
    octets(by, recorded)
    for n in range(8):
        octets(by, ask(1, v.KEY, ssid=n + 1, late_ns=hour + n))
    assert by.reflect(recorded, ASKER, T2 + hour, T3 + hour, ttl=64) is Refusal.REPLAYED
    # a clock that follows nothing may say any time, and another sender's is not compared
    free = pack_ask(
        Ask(seq=1, t1=ntp_from_utc(v.NOON_NS), estimate=replace(ESTIMATE, synced=False), ssid=77), v.KEY
    )
    assert not isinstance(by.reflect(free, ASKER, T2 + hour, T3 + hour, ttl=64), Refusal)
    assert not isinstance(by.reflect(recorded, ("192.0.2.9", 5000), T2, T3, ttl=64), Refusal)


def test_a_twamp_light_senders_padding_is_copied_and_is_no_session_identifier() -> None:
    # RFC 5357 4.1.2: padding begins at octet 14 and may be anything (RFC 8762 4.6 asks to reflect it)
    by = reflector()
    for n in range(3):
        padding = bytes((n * 37 + i) % 251 + 1 for i in range(100))
        got = answer(by, ask(n)[:14] + padding)
        assert (got.seq, got.rest) == (n, padding[30:])
    assert len(by) == 1


def test_truncated_and_corrupt_asks_are_counted_and_not_answered() -> None:
    by = reflector()
    assert by.reflect(v.V2[:40], ASKER, T2, T3, ttl=64) is Refusal.TRUNCATED
    assert by.reflect(v.V2[:13] + b"\0" + v.V2[14:], ASKER, T2, T3, ttl=64) is Refusal.CORRUPT_ESTIMATE
    assert by.refused == {Refusal.TRUNCATED: 1, Refusal.CORRUPT_ESTIMATE: 1}
    assert (by.answered, len(by)) == (0, 0)


def test_with_a_key_plain_forged_and_replayed_asks_are_counted_and_not_answered() -> None:
    by = reflector(v.KEY)
    octets(by, v.V7)
    assert by.reflect(v.V2, ASKER, T2, T3, ttl=64) is Refusal.TRUNCATED
    assert by.reflect(v.V7[:111] + b"\0", ASKER, T2, T3, ttl=64) is Refusal.BAD_TAG
    assert by.reflect(v.V7, ASKER, T2, T3, ttl=64) is Refusal.REPLAYED
    assert by.refused == {Refusal.TRUNCATED: 1, Refusal.BAD_TAG: 1, Refusal.REPLAYED: 1}
    assert answer(by, ask(2, v.KEY, ssid=0)).seq == 1  # none of them took a number


def test_without_a_key_doubled_asks_are_counted_and_answered_with_numbers_of_their_own() -> None:
    by = reflector()
    assert [answer(by, ask(5)).seq for _ in range(3)] == [0, 1, 2]
    assert by.duplicates == 2


def test_overtaken_asks_are_no_replays() -> None:
    by = reflector(v.KEY)
    for seq in (3, 1, 2, 0, 4, 4 + WINDOW, 5):
        octets(by, ask(seq, v.KEY, late_ns=seq))
    assert by.duplicates == 0


@pytest.mark.parametrize("key", KEYS)
def test_a_sender_that_begins_anew_begins_a_new_count(key: bytes | None) -> None:
    by = reflector(key)
    for n in range(3000):
        octets(by, ask(n, key, late_ns=n))
    later = [answer(by, ask(n, key, late_ns=10_000 + n)).seq for n in range(3)]
    assert (later, by.duplicates) == ([0, 1, 2], 0)


@given(st.lists(st.tuples(st.integers(0, 3000), st.integers(0, 2)), max_size=60))
def test_a_number_is_new_at_most_once_under_a_stamp_not_newer(order: list[tuple[int, int]]) -> None:
    session, seen = Reflected(), set[int]()
    for seq, _ in order:
        fresh = session.novel(seq, 1 << 63)  # one stamp for all: nothing can look like a new start
        assert not (fresh and seq in seen)
        assert fresh or seq in seen or session.newest - seq >= WINDOW
        seen.add(seq)
        session.received += 1


def test_sessions_are_bounded_and_the_one_unheard_longest_goes() -> None:
    by = reflector(sessions_most=3)
    for port in (1, 2, 3, 1, 4):
        octets(by, ask(1, late_ns=port), ("192.0.2.20", port))
    assert len(by) == 3
    assert answer(by, ask(2), ("192.0.2.20", 1)).seq == 2
    assert answer(by, ask(2), ("192.0.2.20", 2)).seq == 0


@pytest.mark.parametrize("key", KEYS)
def test_the_kernels_send_stamp_comes_back_with_the_next_answer(key: bytes | None) -> None:
    by = reflector(key)
    wanted = (t.FollowUp().tlv(), t.ClassOfService(dscp1=0).tlv(), t.DirectMeasurement(sender_sent=9).tlv())

    def extensions(seq: int) -> list[t.Tlv]:
        sealed = wanted if key is None else t.seal(wanted, seq, v.KEY)
        got = answer(by, ask(seq, key, rest=t.pack(sealed)))
        read = t.read_answer(got.rest, got.seq, key)
        assert isinstance(read, tuple)
        return list(read[:3])

    first = extensions(0)
    assert first[0] == t.FollowUp().tlv(flags=0)  # nothing is known yet
    assert first[1] == t.ClassOfService(dscp1=0, dscp2=46, ecn=2).tlv(flags=0)
    assert first[2] == t.DirectMeasurement(sender_sent=9, reflector_received=1, reflector_sent=1).tlv(flags=0)
    by.left(by.session, 0, T3 + 41_000, t.StampMethod.SOFTWARE)
    told = t.FollowUp(seq=0, sent_at=ntp_from_utc(T3 + 41_000), method=t.StampMethod.SOFTWARE)
    assert extensions(1)[0] == told.tlv(flags=0)
    # of answer 1 no stamp came: its number alone, and no stale stamp
    assert extensions(2)[0] == t.FollowUp(seq=1).tlv(flags=0)


def test_its_stamps_may_be_ptp_and_say_so() -> None:
    by = Reflector(estimate=replace(ESTIMATE, ptp=True))
    got = answer(by, v.V2)
    assert got.estimate.ptp
    assert (got.t2, got.t3) == (
        1_704_067_200 << 32 | 510_000_000,
        1_704_067_200 << 32 | 510_100_000,
    )  # RFC 8186 2.2
    assert got.t1 == ntp_from_utc(v.NOON_NS)
