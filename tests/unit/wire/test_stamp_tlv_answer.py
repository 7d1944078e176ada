"""What comes back for an ask's extensions (RFC 8972 4)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support import stamp_vectors as v
from whichhop.wire import stamp_tlv as t
from whichhop.wire.stamp import tag
from whichhop.wire.stamp_tlv_answer import ReflectorFacts, answer_extensions

FACTS = ReflectorFacts(
    ask_seq=1,
    answer_seq=7,
    dscp=10,
    ecn=1,
    received=8,
    sent=8,
    follow_up=t.FollowUp(seq=6, sent_at=99, method=t.StampMethod.SOFTWARE),
    information=t.TimestampInformation(source_in=1, method_in=2, source_out=1, method_out=3),
)


def answered(tlvs: list[t.Tlv], key: bytes | None = None) -> tuple[t.Tlv, ...]:
    cut = t.split(answer_extensions(t.pack(tlvs), FACTS, key))
    assert cut.left == b""
    return cut.tlvs


def test_each_known_extension_is_filled_in_and_its_flags_cleared() -> None:
    asks = [
        t.TimestampInformation().tlv(),
        t.FollowUp().tlv(),
        t.ClassOfService(dscp1=0).tlv(),
        t.DirectMeasurement(sender_sent=11).tlv(),
        t.AccessReport(access=2, code=1).tlv(),
        t.padding(9),
    ]
    assert answered(asks) == (
        FACTS.information.tlv(flags=0),
        FACTS.follow_up.tlv(flags=0),
        t.ClassOfService(dscp1=0, dscp2=10, ecn=1).tlv(flags=0),
        t.DirectMeasurement(sender_sent=11, reflector_received=8, reflector_sent=8).tlv(flags=0),
        t.AccessReport(access=2, code=1).tlv(flags=0),
        t.Tlv(type=1, value=bytes(5), flags=0),
    )


def test_a_wanted_mark_that_we_do_not_set_is_said_to_be_refused() -> None:
    (said,) = answered([t.ClassOfService(dscp1=46).tlv()])
    marks = t.ClassOfService.read(said.value)
    assert marks == t.ClassOfService(dscp1=46, dscp2=10, ecn=1, refused=1)


@pytest.mark.parametrize("kind", [t.TlvType.LOCATION, 9, 255])
def test_what_is_not_understood_is_copied_with_flag_u(kind: int) -> None:
    assert answered([t.Tlv(type=kind, value=b"abc"), t.FollowUp().tlv()]) == (
        t.Tlv(type=kind, value=b"abc", flags=t.UNDERSTOOD_NOT),
        FACTS.follow_up.tlv(flags=0),
    )


def test_from_a_malformed_extension_on_all_is_copied_and_the_first_flagged() -> None:
    good, bad = t.FollowUp().tlv().pack(), bytes.fromhex("8003000500000000008001000100")
    got = answer_extensions(good + bad, FACTS, None)
    assert got == FACTS.follow_up.tlv(flags=0).pack() + bytes((t.MALFORMED,)) + bad[1:]


def test_an_unknown_extension_that_runs_past_the_packet_keeps_flag_u_beside_m() -> None:
    assert answer_extensions(bytes.fromhex("804d00ff00"), FACTS, None) == bytes.fromhex("c04d00ff00")


@pytest.mark.parametrize("octets", ["00" * 40, "80", "800100", "5a00ffee0102"])
def test_padding_that_is_no_extension_is_copied(octets: str) -> None:
    assert answer_extensions(bytes.fromhex(octets), FACTS, None).hex() == octets


def test_a_sealed_ask_gets_an_answer_sealed_anew_over_the_answers_own_number() -> None:
    got = answer_extensions(v.V6[44:], FACTS, v.KEY)
    marks = t.ClassOfService(dscp1=46, dscp2=10, ecn=1, refused=1).tlv(flags=0)
    code = tag(v.KEY, bytes.fromhex("00000007") + marks.pack())
    expected = [marks, t.Tlv(type=8, value=code, flags=0), t.Tlv(type=1, value=v.PADDING[4:], flags=0)]
    assert got == t.pack(expected)


def test_extensions_whose_seal_does_not_fit_all_come_back_flagged_and_unfilled() -> None:
    sealed = t.seal((t.FollowUp().tlv(), t.padding(8)), FACTS.ask_seq + 1, v.KEY)
    got = answered(list(sealed), v.KEY)
    assert [x.flags for x in got] == [0xA0] * 3
    assert [x.value for x in got] == [x.value for x in sealed]


def test_with_a_key_unsealed_extensions_are_not_believed() -> None:
    (got,) = answered([t.FollowUp().tlv()], v.KEY)
    assert got == t.Tlv(type=7, value=bytes(16), flags=0xA0)


def test_without_a_key_a_seal_is_one_more_thing_not_understood() -> None:
    marks, code, _ = answered(list(t.split(v.V6[44:]).tlvs))
    assert (marks.flags, code.flags, code.value) == (0, t.UNDERSTOOD_NOT, v.V6[56:72])


@given(st.binary(max_size=150), st.none() | st.just(v.KEY))
def test_any_octets_are_answered_by_as_many(rest: bytes, key: bytes | None) -> None:
    assert len(answer_extensions(rest, FACTS, key)) == len(rest)


@given(
    st.lists(
        st.builds(
            t.Tlv, type=st.integers(1, 12), value=st.binary(max_size=20), flags=st.just(t.UNDERSTOOD_NOT)
        ),
        max_size=5,
    )
)
def test_what_a_reflector_sealed_its_sender_believes(tlvs: list[t.Tlv]) -> None:
    plain = [
        x for x in tlvs if t.LENGTHS.get(x.type, len(x.value)) == len(x.value) and x.type != t.TlvType.HMAC
    ]
    got = answer_extensions(t.pack(t.seal(tuple(plain), FACTS.ask_seq, v.KEY)), FACTS, v.KEY)
    assert isinstance(t.read_answer(got, FACTS.answer_seq, v.KEY), tuple)
