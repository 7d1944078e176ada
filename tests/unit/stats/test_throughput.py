"""Throughput arithmetic: how the formulas bound each other, and the ends of their range."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.stats import throughput as tp


@given(st.floats(1e5, 1e10), st.floats(1e-4, 1))
def test_the_least_window_is_just_enough_to_fill_the_path(rate_bps: float, rtt_s: float) -> None:
    window = tp.least_window_octets(rate_bps, rtt_s)
    assert tp.window_limit_bps(window, rtt_s) == pytest.approx(rate_bps)
    assert tp.connections_needed(rate_bps, rtt_s, window * 1.000001) == 1


@given(st.floats(1e-6, 0.9))
def test_time_outs_make_tcp_slower_than_the_square_root_law_alone(loss: float) -> None:
    assert tp.tfrc_octets_per_s(1460, 0.1, loss) * 8 < tp.mathis_bps(1460, 0.1, loss)


def test_the_two_laws_agree_at_rare_loss_and_part_at_heavy_loss() -> None:
    # computed from RFC 5348 3.1 and Mathis 1997: 0.09 % under at 1e-4, 54 % under at 0.1
    for loss, gap in ((1e-4, 0.0009), (0.1, 0.54)):
        ratio = tp.tfrc_octets_per_s(1460, 0.1, loss) * 8 / tp.mathis_bps(1460, 0.1, loss)
        assert 1 - ratio == pytest.approx(gap, rel=0.05)


def test_without_loss_there_is_no_limit() -> None:
    assert tp.mathis_bps(1460, 0.1, 0) == math.inf
    assert tp.tfrc_octets_per_s(1460, 0.1, 0) == math.inf


def test_an_untagged_full_frame_takes_1538_octets() -> None:
    # RFC 6349 4.1.1
    assert tp.frame_octets() == 1538


def test_nothing_sent_has_no_efficiency_and_all_resent_half() -> None:
    assert tp.efficiency_ratio(0, 0) is None
    assert tp.efficiency_ratio(10, 10) == 0.5


def test_headers_as_large_as_the_mtu_are_refused() -> None:
    with pytest.raises(ValueError, match="no payload"):
        tp.goodput_bps(1e9, header_octets=1500)
