"""STAMP packets against vectors, against scapy's own STAMP layer, and against anything."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support import stamp_vectors as v
from whichhop.wire.ntp64 import ErrorEstimate, ntp_from_utc, utc_from_field
from whichhop.wire.quoted import Refusal
from whichhop.wire.stamp import Ask, StampAnswer, pack_answer, pack_ask, unpack_answer, unpack_ask

ESTIMATE = ErrorEstimate.from_field(v.ESTIMATE)
T1 = ntp_from_utc(v.NOON_NS)
ASK = Ask(seq=1, t1=T1, estimate=ESTIMATE)
ANSWER = StampAnswer(
    seq=7,
    t3=ntp_from_utc(v.NOON_NS + 10_100_000),
    estimate=ESTIMATE,
    ssid=v.SSID,
    t2=ntp_from_utc(v.NOON_NS + 10_000_000),
    sender_seq=1,
    t1=T1,
    sender_estimate=ESTIMATE,
    sender_ttl=64,
)
TLVS = v.V6[44:]

VECTORS = [
    ("V1", v.V1, ASK._replace(seq=0), None),
    ("V2", v.V2, ASK._replace(ssid=v.SSID), None),
    ("V3", v.V3, ANSWER, None),
    (
        "V4",
        v.V4,
        Ask(seq=2, t1=0x659200801DCD6500, estimate=ErrorEstimate.from_field(0xCF83), ssid=v.SSID),
        None,
    ),
    ("V5", v.V5, ASK._replace(ssid=v.SSID, rest=v.PADDING), None),
    ("V6", v.V6, ASK._replace(ssid=v.SSID, rest=TLVS), None),
    ("V7", v.V7, ASK, v.KEY),
    ("V8", v.V8, ANSWER._replace(ssid=0), v.KEY),
    ("V9", v.V9, ASK._replace(ssid=v.SSID), v.KEY),
]


@pytest.mark.parametrize(("name", "octets", "packet", "key"), VECTORS, ids=[x[0] for x in VECTORS])
def test_a_vector_is_written_and_read_octet_for_octet(
    name: str, octets: bytes, packet: Ask | StampAnswer, key: bytes | None
) -> None:
    if isinstance(packet, Ask):
        assert pack_ask(packet, key) == octets
        assert unpack_ask(octets, key) == packet
    else:
        assert pack_answer(packet, key) == octets
        assert unpack_answer(octets, key) == packet


def test_the_vectors_two_ways_give_twenty_milliseconds_net_of_the_reflector() -> None:
    # V2 and V3 with arrival at .5201: forward 10 ms, held 0.1 ms, backward 10 ms (RFC 8762 1)
    answer = unpack_answer(v.V3)
    assert isinstance(answer, StampAnswer)
    t1, t2, t3 = (utc_from_field(f, ptp=False, near_ns=v.NOON_NS) for f in (answer.t1, answer.t2, answer.t3))
    assert (t1, t2, t3) == (v.NOON_NS, v.NOON_NS + 10_000_000, v.NOON_NS + 10_100_000)
    t4 = v.NOON_NS + 20_100_000
    assert (t4 - t1) - (t3 - t2) == 20_000_000


u32 = st.integers(0, 2**32 - 1)
u64 = st.integers(0, 2**64 - 1)
u16 = st.integers(0, 2**16 - 1)
estimates = u16.filter(lambda f: f & 0xFF).map(ErrorEstimate.from_field)
keys = st.none() | st.binary(min_size=1, max_size=64)
asks = st.builds(Ask, seq=u32, t1=u64, estimate=estimates, ssid=u16, rest=st.binary(max_size=64))
answers = st.builds(
    StampAnswer,
    seq=u32,
    t3=u64,
    estimate=estimates,
    ssid=u16,
    t2=u64,
    sender_seq=u32,
    t1=u64,
    sender_estimate=u16.map(ErrorEstimate.from_field),
    sender_ttl=st.integers(0, 255),
    rest=st.binary(max_size=64),
)


@given(asks, keys)
def test_any_ask_comes_back_as_it_was_written(ask: Ask, key: bytes | None) -> None:
    assert unpack_ask(pack_ask(ask, key), key) == ask


@given(answers, keys)
def test_any_answer_comes_back_as_it_was_written(answer: StampAnswer, key: bytes | None) -> None:
    assert unpack_answer(pack_answer(answer, key), key) == answer


@given(st.binary(max_size=200), keys)
def test_no_octets_make_the_readers_raise(data: bytes, key: bytes | None) -> None:
    assert isinstance(unpack_ask(data, key), Ask | Refusal)
    assert isinstance(unpack_answer(data, key), StampAnswer | Refusal)


@given(asks, st.integers(0, 111), st.integers(0, 7))
def test_one_flipped_bit_in_an_authenticated_packet_spoils_its_tag(ask: Ask, octet: int, bit: int) -> None:
    data = bytearray(pack_ask(ask, v.KEY))
    data[octet] ^= 1 << bit
    assert unpack_ask(bytes(data), v.KEY) is Refusal.BAD_TAG


def test_octets_that_must_be_zero_are_ignored_when_read() -> None:
    dirty = bytearray(v.V3)
    dirty[38:40] = dirty[41:44] = b"\xff\xff"
    assert isinstance(unpack_answer(bytes(dirty)), StampAnswer)  # RFC 8762 4.3.1


def test_a_packet_of_multiplier_zero_is_corrupt() -> None:
    # RFC 4656 4.1.2
    assert unpack_ask(v.V1[:12] + b"\x8f\x00" + v.V1[14:]) is Refusal.CORRUPT_ESTIMATE
    assert unpack_answer(v.V3[:12] + b"\x8f\x00" + v.V3[14:]) is Refusal.CORRUPT_ESTIMATE


@pytest.mark.parametrize("octets", [0, 1, 13])
def test_an_ask_below_twamp_lights_least_is_truncated(octets: int) -> None:
    assert unpack_ask(v.V2[:octets]) is Refusal.TRUNCATED


@pytest.mark.parametrize("octets", [14, 16, 27, 41, 43])
def test_an_ask_as_short_as_twamp_lights_is_read_without_session_identifier(octets: int) -> None:
    assert unpack_ask(v.V2[:octets]) == ASK


def test_an_answer_of_twamp_light_may_lack_the_last_three_octets() -> None:
    assert unpack_answer(v.V3[:41]) == ANSWER  # RFC 8762 4.6
    assert unpack_answer(v.V3[:40]) is Refusal.TRUNCATED


def test_an_authenticated_packet_short_of_its_tag_is_truncated() -> None:
    assert unpack_ask(v.V7[:111], v.KEY) is Refusal.TRUNCATED
    assert unpack_answer(v.V8[:111], v.KEY) is Refusal.TRUNCATED


@given(asks)
def test_scapy_reads_our_asks_and_writes_the_same_octets(ask: Ask) -> None:
    from scapy.contrib.stamp import ErrorEstimate as ScapyEstimate
    from scapy.contrib.stamp import STAMPSessionSenderTestUnauthenticated as Theirs

    plain = ask._replace(rest=v.PADDING)
    ours = pack_ask(plain)
    theirs = Theirs(ours)
    assert (theirs.seq, theirs.ssid, theirs.err_estimate.scale) == (ask.seq, ask.ssid, ask.estimate.scale)
    assert theirs.tlv_objects[0].value == v.PADDING[4:]
    assert bytes(theirs) == ours
    e = ask.estimate
    built = Theirs(
        seq=ask.seq,
        err_estimate=ScapyEstimate(S=e.synced, Z=e.ptp, scale=e.scale, multiplier=e.multiplier),
        ssid=ask.ssid,
    )
    built.ts = ask.t1 if e.ptp else ask.t1 >> 32  # scapy takes an NTP field's value in seconds
    t1 = ask.t1 if e.ptp else ask.t1 >> 32 << 32
    assert unpack_ask(bytes(built)) == ask._replace(t1=t1, rest=b"")


@given(answers)
def test_scapy_reads_our_answers_and_writes_the_same_octets(answer: StampAnswer) -> None:
    from scapy.contrib.stamp import STAMPSessionReflectorTestUnauthenticated as Theirs

    plain = answer._replace(rest=v.PADDING)
    ours = pack_answer(plain)
    theirs = Theirs(ours)
    assert (theirs.seq, theirs.seq_sender, theirs.ttl_sender, theirs.ssid) == (
        answer.seq,
        answer.sender_seq,
        answer.sender_ttl,
        answer.ssid,
    )
    assert bytes(theirs) == ours
    again = unpack_answer(bytes(theirs))
    assert again == plain
