"""A call's stretch rated whole: G.107 fed with what a listener's buffer would have seen."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.check_measures import CODECS
from whichhop.model import Columns, Fate, Sample
from whichhop.stats.call import PACKET_MS, PLAYOUT_MS, judge_call
from whichhop.stats.call_quality import rate_call

MS = 1_000_000


def stretch(trips_ms: "list[float | None]") -> Columns:
    return Columns.of(
        Sample(sent_ns=i * 20 * MS, fate=Fate.LOST)
        if ms is None
        else Sample(sent_ns=i * 20 * MS, fate=Fate.ANSWERED, rtt_ns=int(ms * MS))
        for i, ms in enumerate(trips_ms)
    )


def test_a_clean_call_is_rated_by_its_delay_alone() -> None:
    call = judge_call(stretch([40.0] * 500))
    assert (call.packets, call.lost, call.discarded, call.jitter_ms) == (500, 0, 0, 0)
    assert call.one_way_ms == 20 + PACKET_MS + PLAYOUT_MS
    assert call.rating == rate_call(one_way_ms=100, loss_ratio=0)


def test_packets_too_late_for_the_buffer_are_discarded_and_hurt_like_loss() -> None:
    late = judge_call(stretch([40.0] * 490 + [40 + PLAYOUT_MS + 1] * 10), codec=CODECS["G711"])
    lost = judge_call(stretch([40.0] * 490 + [None] * 10), codec=CODECS["G711"])
    assert (late.lost, late.discarded) == (0, 10)
    assert (lost.lost, lost.discarded) == (10, 0)
    assert late.rating is not None
    assert lost.rating is not None
    assert late.rating.r == lost.rating.r
    edge = judge_call(stretch([40.0] * 490 + [40 + PLAYOUT_MS] * 10))
    assert edge.discarded == 0


def test_ten_losses_in_a_row_sound_worse_than_ten_apart() -> None:
    together = judge_call(stretch([40.0] * 245 + [None] * 10 + [40.0] * 245)).rating
    apart = judge_call(stretch(([40.0] * 49 + [None]) * 10)).rating
    assert together is not None
    assert apart is not None
    assert together.r < apart.r


def test_empty_all_lost_and_single_sample() -> None:
    for trips in ([], [None] * 50):
        call = judge_call(stretch(list(trips)))
        assert (call.packets, call.lost) == (len(trips), len(trips))
        assert call.rating is None
        assert call.jitter_ms is None
        assert call.one_way_ms is None
    one = judge_call(stretch([30.0]))
    assert one.jitter_ms is None
    assert one.rating is not None


def test_packets_not_judged_are_no_part_of_the_call() -> None:
    columns = stretch([40.0] * 10)
    columns.append(Sample(sent_ns=0, fate=Fate.NOT_SENT))
    columns.append(Sample(sent_ns=0, fate=Fate.LATE, rtt_ns=4000 * MS))
    call = judge_call(columns)
    assert (call.packets, call.lost) == (11, 1)


@given(st.lists(st.none() | st.floats(0.1, 900), min_size=1, max_size=60), st.floats(0, 200))
def test_every_packet_is_heard_lost_or_discarded(trips: "list[float | None]", playout: float) -> None:
    call = judge_call(stretch(trips), playout_ms=playout)
    heard = call.packets - call.lost - call.discarded
    assert call.packets == len(trips)
    assert call.lost == trips.count(None)
    assert heard >= (1 if call.rating else 0)
    if call.rating:
        assert 1 <= call.rating.mos <= 4.5
        assert call.rating.r == pytest.approx(
            call.rating.signal_to_noise - call.rating.simultaneous - call.rating.delay - call.rating.equipment
        )
