"""A stretch of a call stream is rated once it has ended, and only once."""

import pytest

from whichhop.daemon.beside.call_rating import CallBook, call_readings
from whichhop.daemon.minutes import SETTLE_NS
from whichhop.model import Fate, Method, Sample, SessionKey
from whichhop.model.units import NS_PER_S
from whichhop.stats.call_quality import rate_call

CALL = SessionKey(agent="desk", target="harbour", method=Method.CALL)
STEADY = SessionKey(agent="desk", target="harbour", method=Method.STAMP)
GAP_NS = NS_PER_S // 50


def stretch(book: CallBook, lost: frozenset[int] = frozenset()) -> int:
    for i in range(500):
        at = i * GAP_NS
        if i in lost:
            book.add(CALL, Sample(sent_ns=at, fate=Fate.LOST))
        else:
            book.add(CALL, Sample(sent_ns=at, fate=Fate.ANSWERED, rtt_ns=40_000_000))
    return 499 * GAP_NS


def test_a_stretch_is_rated_when_its_last_packets_fate_is_known() -> None:
    book = CallBook()
    last = stretch(book)
    book.add(STEADY, Sample(sent_ns=last, fate=Fate.LOST))
    assert list(book.close_ended(last + SETTLE_NS)) == []
    ((key, call),) = book.close_ended(last + SETTLE_NS + 1)
    assert (key, call.packets, call.lost) == (CALL, 500, 0)
    # 20 ms one way, 20 ms of speech in a packet, 60 ms of buffer: the planning tool itself is the oracle.
    assert call.rating is not None
    assert call.rating.r == pytest.approx(rate_call(one_way_ms=100, loss_ratio=0).r)
    assert list(book.close_ended(last + 10 * SETTLE_NS)) == []


def test_a_calls_figures_become_readings_named_with_their_target() -> None:
    book = CallBook()
    last = stretch(book, lost=frozenset(range(100, 110)))
    ((key, call),) = book.close_ended(last + SETTLE_NS + 1)
    readings = {r.name: r.value for r in call_readings(key, call, last)}
    assert readings["call_loss_ratio:harbour"] == pytest.approx(0.02)
    assert readings["call_jitter_s:harbour"] == 0
    assert 1 < readings["call_opinion_score:harbour"] < 4.4


def test_a_call_that_nobody_answered_has_a_loss_and_no_rating() -> None:
    book = CallBook()
    last = stretch(book, lost=frozenset(range(500)))
    ((key, call),) = book.close_ended(last + SETTLE_NS + 1)
    assert {r.name for r in call_readings(key, call, last)} == {"call_loss_ratio:harbour"}
