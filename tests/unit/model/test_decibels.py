"""Levels in dBmV, dBm, millivolts and a modem's fixed-point steps."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.model.decibels import (
    dbm_offset,
    dbm_to_dbmv,
    dbmv_to_dbm,
    dbmv_to_mv,
    dbuv_to_dbmv,
    from_hundredths,
    from_quarters,
    from_tenths,
    mv_to_dbmv,
    total_dbmv,
)

LEVELS = st.floats(min_value=-80.0, max_value=80.0)


def test_at_75_ohm_a_dbmv_is_48_75_db_under_a_dbm() -> None:
    # By definition: 0 dBmV = (1 mV)^2 / 75 ohm = 1.3333e-8 W = 1.3333e-5 mW = -48.7506 dBm.
    assert dbm_offset() == pytest.approx(-10 * math.log10((1e-3) ** 2 / 75 / 1e-3), abs=1e-9)
    assert dbm_offset() == pytest.approx(48.75, abs=1e-3)


@pytest.mark.parametrize(
    ("dbmv", "dbm"), [(-15, -63.751), (0, -48.751), (15, -33.751), (45, -3.751), (57, 8.249)]
)
def test_known_levels_in_dbm(dbmv: float, dbm: float) -> None:
    assert dbmv_to_dbm(dbmv) == pytest.approx(dbm, abs=1e-3)


def test_0_dbmv_is_1_millivolt_and_60_dbmv_is_1_volt() -> None:
    assert dbmv_to_mv(0.0) == 1.0
    assert dbmv_to_mv(60.0) == pytest.approx(1000.0)
    assert dbuv_to_dbmv(60.0) == 0.0  # 1 mV = 1000 uV = 60 dBuV, by definition


@given(LEVELS)
def test_conversions_undo_each_other(level: float) -> None:
    assert dbm_to_dbmv(dbmv_to_dbm(level)) == pytest.approx(level, abs=1e-9)
    assert mv_to_dbmv(dbmv_to_mv(level)) == pytest.approx(level, abs=1e-9)


def test_no_voltage_has_no_level() -> None:
    with pytest.raises(ValueError, match="above 0 mV"):
        mv_to_dbmv(0.0)


def test_32_equal_channels_together_are_15_05_db_above_one() -> None:
    # 10 lg 32 = 15.0515
    assert total_dbmv([3.0] * 32) - 3.0 == pytest.approx(15.0515, abs=1e-4)
    assert total_dbmv([]) == -math.inf


def test_a_modems_fixed_point_steps_become_plain_decibels() -> None:
    # RFC 4546 TenthdBmV, TenthdB; DOCSIS 3.1 QuarterdBmV and hundredths of a dB
    assert (from_tenths(-73), from_tenths(381)) == (-7.3, 38.1)
    assert from_quarters(181) == 45.25
    assert from_hundredths(4123) == 41.23


def test_a_negative_zero_is_made_plain() -> None:
    assert math.copysign(1.0, dbuv_to_dbmv(59.99999999999999 + 1e-14)) == 1.0
    assert str(from_tenths(0)) == "0.0"
