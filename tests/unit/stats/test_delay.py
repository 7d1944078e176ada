"""Delay arrays and summaries: what is lost, set aside or withheld never becomes a number."""

import math

import numpy as np

from whichhop.model import Columns, Fate, Sample
from whichhop.stats.delay import delay_arrays, one_way


def columns(*samples: tuple[Fate, int | None, int | None]) -> Columns:
    return Columns.of(
        Sample(sent_ns=i * 10**9, fate=fate, rtt_ns=rtt, out_ns=out)
        for i, (fate, rtt, out) in enumerate(samples)
    )


def test_lost_and_late_are_infinite_and_set_aside_vanishes() -> None:
    found = delay_arrays(
        columns(
            (Fate.ANSWERED, 20, 12),
            (Fate.NOT_SENT, None, None),
            (Fate.LOST_OUT, None, None),
            (Fate.LATE, 4_000_000_000, 5),
            (Fate.CLOCK_STEP, 99, 9),
            (Fate.ANSWERED, 30, 13),
        )
    )
    assert found.sent_ns.tolist() == [0, 2e9, 3e9, 5e9]
    assert found.round_trip_ns.tolist() == [20, math.inf, math.inf, 30]
    assert found.out_ns.tolist() == [12, math.inf, math.inf, 13]
    assert found.back_ns.tolist() == [8, math.inf, math.inf, 17]


def test_without_far_stamps_only_the_round_trip_speaks() -> None:
    found = delay_arrays(columns((Fate.ANSWERED, 20, None)))
    assert found.round_trip_ns.tolist() == [20]
    assert not found.has_ways
    assert np.isinf(found.out_ns).all()
    assert one_way(found, offset_ns=0, clock_error_ns=1) is None


def test_one_way_delay_is_withheld_unless_offset_and_error_are_known() -> None:
    arrays = delay_arrays(columns((Fate.ANSWERED, 20, 1_012), (Fate.LOST, None, None)))
    assert one_way(arrays, offset_ns=None, clock_error_ns=5) is None
    assert one_way(arrays, offset_ns=1_000, clock_error_ns=None) is None
    found = one_way(arrays, offset_ns=1_000, clock_error_ns=5)
    assert found is not None
    assert found.out_ns.tolist() == [12, math.inf]
    assert found.back_ns.tolist() == [8, math.inf]
    assert found.error_ns == 5


def test_no_packet_gives_empty_arrays() -> None:
    empty = delay_arrays(Columns())
    assert len(empty.round_trip_ns) == 0
    assert not empty.has_ways
