"""DNS packets as dnspython reads and writes them; anything else is no answer."""

import dns.flags
import dns.message
import dns.rcode
import dns.rdatatype
import dns.rrset
import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.dns_names import NAMES
from whichhop.wire.lookup import LookupQuestion, RecordType, decode_answer, encode_name, encode_question

KINDS = st.sampled_from(RecordType)
IDENTS = st.integers(0, 0xFFFF)


@given(NAMES, KINDS, IDENTS)
def test_dnspython_reads_our_question_and_writes_the_same(name: str, kind: RecordType, ident: int) -> None:
    packet = encode_question(LookupQuestion(name=name, kind=kind), ident)
    read = dns.message.from_wire(packet)
    assert read.id == ident
    assert read.flags == dns.flags.RD
    assert str(read.question[0].name) == (name if name.endswith(".") else name + ".")
    assert int(read.question[0].rdtype) == kind
    theirs = dns.message.make_query(name, int(kind), id=ident)
    assert theirs.to_wire() == packet


@given(NAMES, KINDS, IDENTS, st.integers(0, 15), st.booleans())
def test_an_answer_written_by_dnspython_is_read_whole(
    name: str, kind: RecordType, ident: int, code: int, truncated: bool
) -> None:
    question = LookupQuestion(name=name, kind=kind)
    response = dns.message.make_response(dns.message.from_wire(encode_question(question, ident)))
    response.set_rcode(dns.rcode.from_flags(code, 0))
    if truncated:
        response.flags |= dns.flags.TC
    if kind is RecordType.A:
        response.answer.append(dns.rrset.from_text(response.question[0].name, 60, "IN", "A", "192.0.2.9"))
    answer = decode_answer(response.to_wire(), question)
    assert answer is not None
    assert (answer.ident, answer.code, answer.truncated) == (ident, code, truncated)
    assert answer.answers == len(response.answer)
    # RFC 1035 4.1.1: 0 no error, 3 the name is known not to exist; all else is a failure
    assert answer.resolved == (code in (0, 3))


@given(st.binary(max_size=600))
def test_octets_at_random_never_raise(packet: bytes) -> None:
    decode_answer(packet, LookupQuestion(name="harbour.example"))


@given(NAMES, IDENTS, st.data())
def test_a_packet_cut_short_within_the_question_is_no_answer(
    name: str, ident: int, data: st.DataObject
) -> None:
    question = LookupQuestion(name=name)
    asked = encode_question(question, ident)
    response = dns.message.make_response(dns.message.from_wire(asked)).to_wire()
    cut = data.draw(st.integers(0, len(asked) - 1))
    assert decode_answer(response[:cut], question) is None


def test_the_echo_of_a_question_and_the_answer_to_another_are_no_answers() -> None:
    question = LookupQuestion(name="harbour.example")
    asked = encode_question(question, 7)
    assert decode_answer(asked, question) is None
    response = dns.message.make_response(dns.message.from_wire(asked)).to_wire()
    assert decode_answer(response, LookupQuestion(name="harbor.example")) is None
    assert decode_answer(response, LookupQuestion(name="harbour.example", kind=RecordType.AAAA)) is None
    assert (
        decode_answer(response, LookupQuestion(name="Harbour.EXAMPLE")) is not None
    )  # RFC 4343: case is nothing


@pytest.mark.parametrize("name", ["a..b", ".a", "a" * 64, ".".join(["a" * 60] * 5), "käse.example"])
def test_what_is_no_name_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match=r"DNS name|ascii"):
        encode_name(name)


def test_the_root_is_one_octet() -> None:
    assert encode_name(".") == encode_name("") == b"\0"
