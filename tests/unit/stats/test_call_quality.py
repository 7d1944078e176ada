"""G.107 as properties: worse input never rates better; the score stays on its scale."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.check_measures import CODECS
from support.published import simple_delay_impairment
from whichhop.stats import call_quality as cq

DELAY = st.floats(0, 2000)
RATIO = st.floats(0, 1)
ECHO_DIP = 0.09
"""G.107's own talker-echo part falls by up to this much on the R scale in the first milliseconds."""


@given(st.floats(-50, 150), st.floats(-50, 150))
def test_the_opinion_score_rises_with_r_and_stays_on_its_scale(one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert 1 <= cq.opinion_score(low) <= cq.opinion_score(high) + 1e-12 <= 4.5 + 1e-12


@given(DELAY, RATIO, RATIO)
def test_more_loss_never_sounds_better(delay: float, one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert (
        cq.rate_call(one_way_ms=delay, loss_ratio=low).r
        >= cq.rate_call(one_way_ms=delay, loss_ratio=high).r - 1e-9
    )


@given(DELAY, DELAY, RATIO)
def test_more_delay_never_sounds_better(one: float, other: float, loss: float) -> None:
    low, high = sorted((one, other))
    assert (
        cq.rate_call(one_way_ms=low, loss_ratio=loss).r
        >= cq.rate_call(one_way_ms=high, loss_ratio=loss).r - ECHO_DIP
    )


@given(st.floats(0.001, 1), st.floats(1, 20))
def test_losses_in_bursts_hurt_more_than_the_same_losses_apart(loss: float, burst: float) -> None:
    apart = cq.equipment_impairment(CODECS["G711"], loss)
    assert cq.equipment_impairment(CODECS["G711"], loss, burst) >= apart - 1e-9


@given(DELAY, RATIO)
def test_r_is_the_sum_of_its_parts(delay: float, loss: float) -> None:
    call = cq.rate_call(one_way_ms=delay, loss_ratio=loss)
    assert call.r == pytest.approx(
        call.signal_to_noise - call.simultaneous - call.delay - call.equipment, abs=1e-9
    )
    assert call.mos == cq.opinion_score(call.r)


def test_the_short_form_of_delay_is_near_the_whole_one_to_300_ms() -> None:
    # common practice says about 1.1 up to 300 ms, once the echo part at no delay is taken off
    rest = cq.delay_impairment(0)
    for delay in range(0, 301, 10):
        assert simple_delay_impairment(delay) == pytest.approx(cq.delay_impairment(delay) - rest, abs=1.5)


def test_everything_lost_is_a_call_nobody_can_hold() -> None:
    call = cq.rate_call(one_way_ms=0, loss_ratio=1, codec=CODECS["G711"])
    assert call.r < 10
    assert call.mos < 1.2


def test_impossible_calls_are_refused() -> None:
    with pytest.raises(ValueError, match="negative"):
        cq.rate_call(one_way_ms=-1, loss_ratio=0)
    with pytest.raises(ValueError, match="loss ratio 2"):
        cq.rate_call(one_way_ms=1, loss_ratio=2)
    with pytest.raises(ValueError, match="burst ratio 0"):
        cq.rate_call(one_way_ms=1, loss_ratio=0, burst_ratio=0)
