"""A refusal is read by its asker, forged by nobody who has not seen the ask, and no answer to others."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support import stamp_vectors as v
from whichhop.model import Fate, Sample
from whichhop.model.units import MonoNs
from whichhop.wire.ntp64 import estimate_error
from whichhop.wire.quoted import Refusal
from whichhop.wire.stamp import unpack_answer
from whichhop.wire.stamp_refusal import FATES, Reason, read_refusal, refusal
from whichhop.wire.stamp_sender import StampSender

OTHER = b"another key of thirty-two octets"
KEYS = [None, v.KEY]


def sender(key: bytes | None) -> StampSender:
    return StampSender(ssid=v.SSID, estimate=estimate_error(1_000_000, synced=True), key=key)


def told(by: StampSender, data: bytes) -> tuple[Sample, ...]:
    at = 5_000_000
    return by.answer(data, t4_ns=v.NOON_NS + at, utc_ns=v.NOON_NS + at, mono_ns=MonoNs(at))


@pytest.mark.parametrize("reason", list(Reason))
@pytest.mark.parametrize("key", KEYS)
def test_the_asker_reads_the_reason_and_the_packet_is_not_lost(key: bytes | None, reason: Reason) -> None:
    by = sender(key)
    data = refusal(by.ask(v.NOON_NS, MonoNs(0)), reason, key)
    assert data is not None
    (sample,) = told(by, data)
    assert sample.fate is FATES[reason]
    assert sample.fate.refused
    assert sample.fate.set_aside
    assert not sample.fate.lost
    assert told(by, data) == ()  # once only


@pytest.mark.parametrize("key", KEYS)
def test_no_conforming_sender_takes_it_for_an_answer(key: bytes | None) -> None:
    # RFC 4656 4.1.2: a packet whose error estimate has the multiplier 0 is corrupt
    data = refusal(sender(key).ask(v.NOON_NS, MonoNs(0)), Reason.KEY, key)
    assert data is not None
    assert unpack_answer(data, key) is Refusal.CORRUPT_ESTIMATE


def test_with_a_key_only_the_word_on_keys_is_taken_from_who_has_another() -> None:
    for reason in Reason:
        by = sender(v.KEY)
        data = refusal(by.ask(v.NOON_NS, MonoNs(0)), reason, OTHER)
        assert data is not None
        fates = [s.fate for s in told(by, data)]
        assert fates == ([Fate.REFUSED_KEY] if reason is Reason.KEY else [])


@pytest.mark.parametrize("place", [0, 24, 28, 36])
def test_who_has_not_seen_the_ask_cannot_refuse_it(place: int) -> None:
    # the mark, and the copies of number and stamp
    by = sender(None)
    data = refusal(by.ask(v.NOON_NS, MonoNs(0)), Reason.KEY, None)
    assert data is not None
    forged = bytearray(data)
    forged[place - 1 if place else 0] ^= 1
    assert told(by, bytes(forged)) == ()


@given(st.binary(max_size=200), st.sampled_from(KEYS))
def test_no_octets_make_the_reader_raise(data: bytes, key: bytes | None) -> None:
    found = read_refusal(data, key)
    assert found is None or found.reason in Reason
