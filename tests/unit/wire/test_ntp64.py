"""Timestamps and error estimates against the standards' own figures."""

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.model.units import NS_PER_S
from whichhop.wire.ntp64 import (
    ERA_NS,
    ErrorEstimate,
    estimate_error,
    field_from_utc,
    ntp_from_utc,
    ptp_from_utc,
    utc_from_field,
)

any_time_ns = st.integers(-(2**62), 2**62)


def utc_ns(*when: int) -> int:
    return int(datetime(*when, tzinfo=UTC).timestamp()) * NS_PER_S


# RFC 5905 figure 4: era and seconds of some dates
@pytest.mark.parametrize(
    ("when", "seconds"),
    [
        ((1970, 1, 1), 2_208_988_800),
        ((1972, 1, 1), 2_272_060_800),
        ((1999, 12, 31), 3_155_587_200),
        ((2036, 2, 8), 63_104),
    ],
)
def test_dates_have_the_seconds_that_rfc_5905_prints(when: tuple[int, ...], seconds: int) -> None:
    assert ntp_from_utc(utc_ns(*when)) >> 32 == seconds
    assert utc_from_field(seconds << 32, ptp=False, near_ns=utc_ns(*when) + 10**15) == utc_ns(*when)


def test_the_first_era_ends_where_the_count_of_seconds_runs_out() -> None:
    end_ns = utc_ns(2036, 2, 7, 6, 28, 16)  # RFC 5905 6: prime epoch plus 2^32 s
    assert ntp_from_utc(end_ns) == 0
    assert ntp_from_utc(end_ns - NS_PER_S) == 0xFFFFFFFF << 32


def test_a_fraction_is_cut_not_rounded_up() -> None:
    # .510 s x 2^32 = 2190433320.96, computed by hand
    assert ntp_from_utc(510_000_000) & 0xFFFFFFFF == 0x828F5C28


def test_ptp_fields_hold_seconds_and_nanoseconds_since_1970() -> None:
    # RFC 8186 2.2; the seconds of 2024-01-01 are 0x65920080
    assert ptp_from_utc(1_704_067_200_500_000_000) == 0x659200801DCD6500


def test_a_ptp_field_with_a_second_of_nanoseconds_or_more_is_no_time() -> None:
    assert utc_from_field(1_000_000_000, ptp=True, near_ns=0) is None
    assert utc_from_field(999_999_999, ptp=True, near_ns=0) == 999_999_999


@given(any_time_ns, st.booleans(), st.integers(-(ERA_NS // 2) + 1, ERA_NS // 2 - 1))
def test_every_nanosecond_comes_back_whole_in_any_era(at_ns: int, ptp: bool, off_ns: int) -> None:
    assert utc_from_field(field_from_utc(at_ns, ptp=ptp), ptp=ptp, near_ns=at_ns + off_ns) == at_ns


@given(st.integers(0, 2**64 - 1), st.booleans(), any_time_ns)
def test_any_field_is_read_without_raising_and_lands_within_half_an_era(
    field: int, ptp: bool, near_ns: int
) -> None:
    at_ns = utc_from_field(field, ptp=ptp, near_ns=near_ns)
    assert at_ns is None or abs(at_ns - near_ns) <= ERA_NS // 2


# multiplier x 2^-32 x 2^scale seconds, RFC 4656 4.1.2; Z bit RFC 8186 2.3; products computed by hand
@pytest.mark.parametrize(
    ("field", "synced", "ptp", "scale", "multiplier", "seconds"),
    [
        (0x8001, True, False, 0, 1, 2.3283064365386963e-10),
        (0x8F83, True, False, 15, 131, 0.00099945068359375),
        (0x1A64, False, False, 26, 100, 1.5625),
        (0xD6D2, True, True, 22, 210, 0.205078125),
    ],
)
def test_error_estimates_have_the_value_of_their_formula(
    field: int, synced: bool, ptp: bool, scale: int, multiplier: int, seconds: float
) -> None:
    estimate = ErrorEstimate.from_field(field)
    assert estimate == ErrorEstimate(synced=synced, ptp=ptp, scale=scale, multiplier=multiplier)
    assert estimate.field == field
    assert seconds * 1e9 <= estimate.error_ns < seconds * 1e9 + 1
    assert estimate.utc_error_ns == (estimate.error_ns if synced else None)


@given(st.integers(0, 0xFFFF))
def test_every_estimate_field_is_written_as_it_was_read(field: int) -> None:
    estimate = ErrorEstimate.from_field(field)
    assert estimate.field == field
    assert estimate.corrupt == (field & 0xFF == 0)


@given(st.integers(0, 2**62), st.booleans(), st.booleans())
def test_a_stated_error_is_never_below_the_true_one_and_under_one_per_cent_above(
    error_ns: int, synced: bool, ptp: bool
) -> None:
    estimate = estimate_error(error_ns, synced=synced, ptp=ptp)
    assert not estimate.corrupt
    assert error_ns <= estimate.error_ns <= error_ns * 129 // 128 + 2
    assert (estimate.synced, estimate.ptp) == (synced, ptp)


def test_an_unknown_error_is_stated_as_the_largest_and_never_as_synchronised() -> None:
    estimate = estimate_error(None, synced=True)
    assert (estimate.scale, estimate.multiplier, estimate.synced) == (63, 255, False)
    assert estimate.utc_error_ns is None
