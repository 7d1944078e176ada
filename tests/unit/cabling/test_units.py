"""Lengths and frequencies of coax."""

from whichhop.cabling.units import FOOT_M, HUNDRED_FEET_M, mhz


def test_a_foot_is_0_3048_metres() -> None:
    # international yard and pound agreement of 1959: exact
    assert FOOT_M == 0.3048
    assert HUNDRED_FEET_M == 30.48


def test_frequencies_are_shown_in_megahertz() -> None:
    assert mhz(561_000_000) == 561.0
