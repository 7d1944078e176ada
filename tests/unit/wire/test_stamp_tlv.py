"""STAMP's extensions: split, put together, sealed, and each value both ways."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support import stamp_vectors as v
from whichhop.wire import stamp_tlv as t
from whichhop.wire.quoted import Refusal
from whichhop.wire.stamp import tag

opaque = st.builds(
    t.Tlv,
    type=st.sampled_from([0, 1, 2, 9, 200, 255]),
    value=st.binary(max_size=40),
    flags=st.integers(0, 255),
)
EXPEDITED = 46
"""DSCP of expedited forwarding, RFC 3246."""


def test_the_sealed_vector_is_built_from_its_values() -> None:
    # V6: class of service asking for DSCP 46, HMAC TLV, extra padding; tag over sequence number and the first
    padding = t.Tlv(type=t.TlvType.EXTRA_PADDING, value=bytes(range(12)))
    sealed = t.seal((t.ClassOfService(dscp1=EXPEDITED).tlv(), padding), 1, v.KEY)
    assert t.pack(sealed) == v.V6[44:]
    assert t.seal_fits(sealed, 1, v.KEY)
    assert not t.seal_fits(sealed, 2, v.KEY)


def test_the_vectors_tag_covers_the_sequence_number_and_what_comes_before() -> None:
    # RFC 8972 4.8, procedure
    assert tag(v.KEY, v.V6[0:4] + v.V6[44:52]) == v.V6[56:72]


@given(st.lists(opaque, max_size=6))
def test_extensions_come_back_as_they_were_written(tlvs: list[t.Tlv]) -> None:
    assert t.split(t.pack(tlvs)) == t.Split(tlvs=tuple(tlvs), left=b"")


@given(st.binary(max_size=120))
def test_any_octets_split_without_raising_and_without_loss(data: bytes) -> None:
    cut = t.split(data)
    assert t.pack(cut.tlvs) + cut.left == data
    assert isinstance(t.read_answer(data, 1, v.KEY), tuple | Refusal)
    assert isinstance(t.read_answer(data, 1, None), tuple | Refusal)


@pytest.mark.parametrize(
    "octets",
    ["80010005aabb", "8007000f" + "00" * 15, "800400050000000000", "8008000f" + "00" * 15],
    ids=["runs past the packet", "follow-up of 15", "class of service of 5", "tag of 15"],
)
def test_a_wrong_length_ends_the_extensions(octets: str) -> None:
    good = t.padding(8)
    cut = t.split(good.pack() + bytes.fromhex(octets))
    assert cut == t.Split(tlvs=(good,), left=bytes.fromhex(octets))


@given(st.binary(max_size=30), st.binary(max_size=30), st.integers(0, 2**32 - 1))
def test_a_seal_goes_before_trailing_padding_and_fits(value: bytes, filler: bytes, seq: int) -> None:
    location = t.Tlv(type=t.TlvType.LOCATION, value=value)
    padding = t.Tlv(type=t.TlvType.EXTRA_PADDING, value=filler)
    sealed = t.seal((padding, location, padding, padding), seq, v.KEY)
    assert [x.type for x in sealed] == [1, 2, 8, 1, 1]
    assert t.seal_fits(sealed, seq, v.KEY)
    assert not t.seal_fits((*sealed, location), seq, v.KEY)  # something unsealed behind it
    assert not t.seal_fits((padding, location), seq, v.KEY)


def test_padding_alone_needs_no_seal() -> None:
    assert t.seal_fits((t.padding(20), t.padding(4)), 1, v.KEY)


@pytest.mark.parametrize("octets", [4, 5, 100])
def test_padding_takes_the_octets_asked_for(octets: int) -> None:
    assert len(t.padding(octets).pack()) == octets


def test_a_sender_uses_what_was_understood_up_to_what_was_malformed() -> None:
    # RFC 8972 4: skip what carries U, stop at M, discard all at I
    told = t.FollowUp(seq=3, sent_at=9, method=2).tlv(flags=0)
    unknown = t.Tlv(type=77, flags=t.UNDERSTOOD_NOT)
    broken = t.Tlv(type=1, flags=t.MALFORMED)
    assert t.read_answer(t.pack([unknown, told, broken, told]), 1, None) == (told,)
    failed = t.Tlv(type=1, flags=t.INTEGRITY_FAILED)
    assert t.read_answer(t.pack([told, failed]), 1, None) is Refusal.BAD_TAG


def test_a_sender_with_a_key_uses_only_sealed_answers() -> None:
    told = t.FollowUp(seq=3, sent_at=9, method=2).tlv(flags=0)
    assert t.read_answer(told.pack(), 5, v.KEY) is Refusal.BAD_TAG
    code = t.Tlv(type=t.TlvType.HMAC, value=tag(v.KEY, (5).to_bytes(4) + told.pack()), flags=0)
    assert t.read_answer(t.pack([told, code]), 5, v.KEY) == (told, code)


u2, u6, u8, u32 = (st.integers(0, 2**bits - 1) for bits in (2, 6, 8, 32))
values = st.one_of(
    st.builds(t.ClassOfService, dscp1=u6, dscp2=u6, ecn=u2, refused=u2),
    st.builds(t.TimestampInformation, source_in=u8, method_in=u8, source_out=u8, method_out=u8),
    st.builds(t.DirectMeasurement, sender_sent=u32, reflector_received=u32, reflector_sent=u32),
    st.builds(t.AccessReport, access=st.integers(0, 15), code=u8),
    st.builds(t.FollowUp, seq=u32, sent_at=st.integers(0, 2**64 - 1), method=u8),
)


@given(values)
def test_every_value_comes_back_and_has_the_length_of_its_kind(
    value: t.ClassOfService | t.TimestampInformation | t.DirectMeasurement | t.AccessReport | t.FollowUp,
) -> None:
    tlv = value.tlv()
    assert type(value).read(tlv.value) == value
    assert len(tlv.value) == t.LENGTHS[t.TlvType(tlv.type)]
    assert type(value).read(tlv.value + b"\0") is Refusal.MALFORMED
    assert type(value).read(tlv.value[1:]) is Refusal.MALFORMED


# layouts drawn by hand from RFC 8972 figures 7, 8, 9, 10, 11
@pytest.mark.parametrize(
    ("tlv", "octets"),
    [
        (t.ClassOfService(dscp1=46, dscp2=10, ecn=3, refused=1).tlv(flags=0), "00040004b8ad0000"),
        (
            t.TimestampInformation(source_in=1, method_in=2, source_out=5, method_out=3).tlv(flags=0),
            "0003000401020503",
        ),
        (
            t.DirectMeasurement(sender_sent=5, reflector_received=4, reflector_sent=3).tlv(),
            "8005000c000000050000000400000003",
        ),
        (t.AccessReport(access=2, code=1).tlv(), "8006000420010000"),
        (
            t.FollowUp(seq=6, sent_at=0xE93C7F0080000000, method=2).tlv(flags=0),
            "0007001000000006e93c7f008000000002000000",
        ),
    ],
)
def test_values_stand_where_the_figures_put_them(tlv: t.Tlv, octets: str) -> None:
    assert tlv.pack().hex() == octets
