"""The talk of a transfer: the home's key is proved both ways, and no line is forged, repeated or moved."""

import hashlib
import hmac
import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.printable import printable
from whichhop.wire.bulk import LONGEST_LINE, NONCE_OCTETS, Talk, TalkError, WrongKeyError, stream_token

KEY = b"k" * 32


def pair(theirs: bytes = KEY) -> tuple[Talk, Talk]:
    asks = Talk(key=KEY, asks=True, nonce=b"a" * NONCE_OCTETS, name="desk")
    answers = Talk(key=theirs, asks=False, nonce=b"b" * NONCE_OCTETS)
    return asks, answers


def shake(asks: Talk, answers: Talk, step: int = 10_000) -> None:
    """Carry octets to and fro, `step` at a time, until neither side has any."""
    while True:
        moved = False
        for one, other in ((answers, asks), (asks, answers)):
            data = one.take()
            for at in range(0, len(data), step):
                list(other.feed(data[at : at + step]))
                moved = True
        if not moved:
            return


@pytest.mark.parametrize("step", [1, 7, 10_000])
def test_two_with_the_same_key_open_the_talk_whatever_the_pieces(step: int) -> None:
    asks, answers = pair()
    shake(asks, answers, step)
    assert asks.session == answers.session != ""
    assert answers.name == "desk"


def test_the_proof_is_the_hmac_of_both_nonces_and_the_name() -> None:
    asks, answers = pair()
    list(asks.feed(answers.take()))
    said = json.loads(asks.take())
    parts = [b"asks", b"b" * 16, b"a" * 16, b"desk"]
    text = b"".join(len(p).to_bytes(4, "big") + p for p in parts)
    # RFC 2104 by the standard library, in its streaming form
    mac = hmac.new(KEY, digestmod=hashlib.sha256)
    mac.update(text)
    assert said["proof"] == mac.hexdigest()


def test_a_stranger_is_turned_away_and_told_so() -> None:
    asks, answers = pair(theirs=b"x" * 32)
    list(asks.feed(answers.take()))
    with pytest.raises(WrongKeyError):
        list(answers.feed(asks.take()))
    assert not answers.session
    with pytest.raises(WrongKeyError):
        list(asks.feed(answers.take()))


def test_an_answerer_that_cannot_prove_the_key_is_not_believed() -> None:
    asks, answers = pair()
    list(asks.feed(answers.take()))
    asks.take()
    with pytest.raises(WrongKeyError):
        list(asks.feed(json.dumps({"proof": "00" * 32}).encode() + b"\n"))
    assert not asks.session


def opened() -> tuple[Talk, Talk]:
    asks, answers = pair()
    shake(asks, answers)
    return asks, answers


def test_what_is_said_is_heard_in_order() -> None:
    asks, answers = opened()
    lines = b"".join(asks.say({"n": n}) for n in range(3))
    assert [m["n"] for m in answers.feed(lines)] == [0, 1, 2]


@pytest.mark.parametrize("harm", ["repeat", "swap", "edit", "reflect"])
def test_lines_repeated_moved_edited_or_sent_back_are_refused(harm: str) -> None:
    asks, answers = opened()
    first, second = asks.say({"bytes": 1}), asks.say({"bytes": 2})
    data = {
        "repeat": first + first,
        "swap": second + first,
        "edit": first.replace(b"1}", b"9}"),
        "reflect": first,
    }[harm]
    with pytest.raises(TalkError):
        list((asks if harm == "reflect" else answers).feed(data))


def test_a_talk_goes_on_in_another_process_where_it_stood() -> None:
    asks, answers = opened()
    list(answers.feed(asks.say({"ask": "transfer"})))
    child = Talk.resumed(asks=False, session=answers.session, said=answers.said, heard=answers.heard)
    assert list(asks.feed(child.say({"ready": True}))) == [{"ready": True}]
    assert list(child.feed(asks.say({"go": 1}))) == [{"go": 1}]


def test_a_stream_token_depends_on_session_and_number() -> None:
    asks, answers = opened()
    assert stream_token(asks.session, 0) == stream_token(answers.session, 0)
    assert stream_token(asks.session, 0) != stream_token(asks.session, 1)


def test_a_line_without_end_is_given_up() -> None:
    _, answers = pair()
    with pytest.raises(TalkError, match="more than"):
        list(answers.feed(b"x" * (LONGEST_LINE + 1)))


def test_nothing_may_be_said_before_the_key_is_proved() -> None:
    asks, _ = pair()
    with pytest.raises(TalkError, match="not open"):
        asks.say({"ask": "lease"})


json_like = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(), lambda inner: st.lists(inner, max_size=3)
)


@given(st.binary(max_size=300) | st.dictionaries(st.text(), json_like).map(lambda d: json.dumps(d).encode()))
def test_no_octets_open_a_talk_or_raise_anything_but_a_talk_error(data: bytes) -> None:
    for talk in pair():
        try:
            heard: list[dict[str, Any]] = list(talk.feed(data + b"\n"))
        except TalkError:
            heard = []
        assert heard == []
        assert not talk.session


@pytest.mark.parametrize(
    "line",
    [
        b'{"stream": 1e999, "token": "00"}',
        b'{"name": "\\ud800", "nonce": "' + b"00" * 16 + b'", "proof": "00"}',
        b'{"name": "desk", "nonce": "' + b"00" * 16 + b'", "proof": "\\udfff"}',
        b'{"name": "\\u001b[2J", "nonce": "' + b"00" * 16 + b'", "proof": "00"}',
        b'{"name": 5, "nonce": "' + b"00" * 16 + b'", "proof": "00"}',
        b'{"name": "' + b"x" * 5000 + b'", "nonce": "' + b"00" * 16 + b'", "proof": "00"}',
        b'{"refused": "\\u001b[2J"}',
        b"[" * 16_000,
        b"9" * 5000,
        b"\xff\xfe",
        b"",
    ],
)
@pytest.mark.parametrize("asks", [True, False])
def test_a_strangers_line_ends_in_a_printable_complaint(line: bytes, asks: bool) -> None:
    talk = Talk(key=bytes(32), asks=asks, nonce=bytes(16), name="desk")
    with pytest.raises(TalkError) as caught:
        list(talk.feed(line + b"\n"))
    assert printable(str(caught.value)) == str(caught.value)
