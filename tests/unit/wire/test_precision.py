import random

from hypothesis import given
from msgspec.structs import replace

from support.records import any_record, lifelike
from whichhop.model import ABSENT, Method, Record, SessionKey
from whichhop.wire.ntp64 import settle

KEY = SessionKey(agent="desk", target="router", method=Method.STAMP)


def test_no_delay_moves_by_more_than_half_a_step_and_no_send_time_leaves_its_minute() -> None:
    record = lifelike(random.Random(4), 28_333_333, KEY)
    settled = settle(record)
    for name in ("rtt_ns", "out_ns", "queue_ns"):
        for was, now in zip(getattr(record.samples, name), getattr(settled.samples, name), strict=True):
            assert (now == ABSENT) == (was == ABSENT)
            assert abs(now - was) <= 2_500
    for was, now in zip(record.samples.sent_ns, settled.samples.sent_ns, strict=True):
        assert 0 <= was - now < 1_000_000
        assert now // 60_000_000_000 == record.minute


def test_settling_twice_is_settling_once() -> None:
    once = settle(lifelike(random.Random(4), 28_333_333, KEY))
    assert settle(once) == once


@given(any_record())
def test_everything_but_times_stays(record: Record) -> None:
    small = replace(record, samples=record.samples.of([]))
    assert settle(small) == small
