"""Throughput arithmetic: how the formulas bound each other, and the ends of their range."""

import pytest

from whichhop.stats import throughput as tp


def test_an_untagged_full_frame_takes_1538_octets() -> None:
    # RFC 6349 4.1.1
    assert tp.frame_octets() == 1538


def test_nothing_sent_has_no_efficiency_and_all_resent_half() -> None:
    assert tp.efficiency_ratio(0, 0) is None
    assert tp.efficiency_ratio(10, 10) == 0.5


def test_headers_as_large_as_the_mtu_are_refused() -> None:
    with pytest.raises(ValueError, match="no payload"):
        tp.goodput_bps(1e9, header_octets=1500)
