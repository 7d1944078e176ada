"""SNMP values to a DSL line, by RFC 5650 and RFC 2662."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.model import Direction, DslLine
from whichhop.wire import mibs as mib

# Objects by their names in a compiled VDSL2-LINE-MIB; the attainable rates' and ADSL-LINE-MIB's from memory.
OBJECTS = {
    "xdsl2LineStatusAttainableRateDs": (mib.ATTAINABLE[Direction.DOWN], "1.3.6.1.2.1.10.251.1.1.1.1.20"),
    "xdsl2LineStatusAttainableRateUs": (mib.ATTAINABLE[Direction.UP], "1.3.6.1.2.1.10.251.1.1.1.1.21"),
    "xdsl2LineBandStatusLnAtten": (mib.BAND_ATTENUATION, "1.3.6.1.2.1.10.251.1.1.2.1.2"),
    "xdsl2LineBandStatusSnrMargin": (mib.BAND_MARGIN, "1.3.6.1.2.1.10.251.1.1.2.1.4"),
    "xdsl2ChStatusActDataRate": (mib.CHANNEL_RATE, "1.3.6.1.2.1.10.251.1.2.2.1.2"),
    "adslAturCurrSnrMgn": ((*mib.HOME_END, mib.MARGIN), "1.3.6.1.2.1.10.94.1.1.3.1.4"),
    "adslAtucCurrAtn": ((*mib.PROVIDER_END, mib.ATTENUATION), "1.3.6.1.2.1.10.94.1.1.2.1.5"),
    "adslAtucChanCurrTxRate": ((*mib.PROVIDER_CHANNEL, mib.SENT_RATE), "1.3.6.1.2.1.10.94.1.1.4.1.2"),
}


@pytest.mark.parametrize("name", OBJECTS)
def test_the_objects_numbers(name: str) -> None:
    found, wanted = OBJECTS[name]
    assert ".".join(map(str, found)) == wanted


def bands(column: mib.Oid, values: dict[int, int]) -> dict[mib.Oid, int]:
    return {(*column, 7, band): value for band, value in values.items()}


def test_a_vdsl2_line_of_several_bands() -> None:
    values = {
        # us0, ds1, us1, ds2 as bands 3, 4, 5, 6; tenths of dB
        **bands(mib.BAND_MARGIN, {3: 70, 4: 62, 5: 75, 6: 58}),
        **bands(mib.BAND_ATTENUATION, {3: 60, 4: 151, 5: 220, 6: 305}),
        # a unit's rate: 1 the provider's end (down), 2 the home's (up)
        (*mib.CHANNEL_RATE, 9, 1): 51_400_000,
        (*mib.CHANNEL_RATE, 9, 2): 10_200_000,
        (*mib.ATTAINABLE[Direction.DOWN], 7): 80_000_000,
        (*mib.ATTAINABLE[Direction.UP], 7): 11_000_000,
    }
    down, up = mib.dsl_of(values)
    assert down == DslLine(
        direction=Direction.DOWN, margin_db=5.8, attenuation_db=15.1, rate_bps=51.4e6, attainable_bps=80e6
    )
    assert up == DslLine(
        direction=Direction.UP, margin_db=7.0, attenuation_db=6.0, rate_bps=10.2e6, attainable_bps=11e6
    )


def test_the_whole_directions_value_goes_before_single_bands() -> None:
    (down,) = mib.dsl_of(bands(mib.BAND_MARGIN, {2: 90, 4: 10}))
    assert down.margin_db == 9.0


def test_unavailable_and_out_of_range_are_unknown() -> None:
    # RFC 5650: 2147483646 not available, 2147483647 out of range
    assert mib.dsl_of(bands(mib.BAND_MARGIN, {2: 2_147_483_646, 1: 2_147_483_647})) == ()


def test_an_adsl_line_is_told_by_the_end_that_hears_it() -> None:
    values = {
        (*mib.HOME_END, mib.MARGIN, 4): 91,
        (*mib.HOME_END, mib.ATTENUATION, 4): 215,
        (*mib.PROVIDER_END, mib.MARGIN, 4): 60,
        (*mib.PROVIDER_CHANNEL, mib.SENT_RATE, 6): 8_000_000,
        (*mib.HOME_CHANNEL, mib.SENT_RATE, 6): 1_000_000,
        (*mib.PROVIDER_END, mib.ATTAINABLE_RATE, 4): 9_500_000,
    }
    down, up = mib.dsl_of(values)
    assert (down.margin_db, down.attenuation_db) == (9.1, 21.5)
    assert (down.rate_bps, down.attainable_bps) == (8e6, 9.5e6)
    assert (up.margin_db, up.rate_bps) == (6.0, 1e6)


def test_no_line_is_no_line() -> None:
    assert mib.dsl_of({}) == ()


COLUMNS = [found for found, _ in OBJECTS.values()]


@given(
    st.dictionaries(
        st.tuples(st.sampled_from(COLUMNS), st.lists(st.integers(0, 20), max_size=3)).map(
            lambda pair: (*pair[0], *pair[1])
        ),
        st.integers(-(2**31), 2**32 - 1),
        max_size=30,
    )
)
def test_no_values_make_it_fail_and_nothing_unavailable_is_shown(values: dict[mib.Oid, int]) -> None:
    for line in mib.dsl_of(values):
        assert line.margin_db is None or line.margin_db < mib.UNAVAILABLE / 10
