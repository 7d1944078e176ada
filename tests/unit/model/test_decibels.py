"""Levels in dBmV, dBm, millivolts and a modem's fixed-point steps."""

import math

import pytest

from whichhop.model.decibels import (
    dbm_offset,
    dbm_to_dbmv,
    dbuv_to_dbmv,
    from_hundredths,
    from_quarters,
    from_tenths,
)


def test_at_75_ohm_a_dbmv_is_48_75_db_under_a_dbm() -> None:
    # By definition: 0 dBmV = (1 mV)^2 / 75 ohm = 1.3333e-8 W = 1.3333e-5 mW = -48.7506 dBm.
    assert dbm_offset() == pytest.approx(-10 * math.log10((1e-3) ** 2 / 75 / 1e-3), abs=1e-9)
    assert dbm_offset() == pytest.approx(48.75, abs=1e-3)


@pytest.mark.parametrize(
    ("dbmv", "dbm"), [(-15, -63.751), (0, -48.751), (15, -33.751), (45, -3.751), (57, 8.249)]
)
def test_known_levels_in_dbm(dbmv: float, dbm: float) -> None:
    assert dbm_to_dbmv(dbm) == pytest.approx(dbmv, abs=1e-3)


def test_60_db_over_a_microvolt_is_0_dbmv() -> None:
    assert dbuv_to_dbmv(60.0) == 0.0  # 1 mV = 1000 uV = 60 dBuV, by definition


def test_a_modems_fixed_point_steps_become_plain_decibels() -> None:
    # RFC 4546 TenthdBmV, TenthdB; DOCSIS 3.1 QuarterdBmV and hundredths of a dB
    assert (from_tenths(-73), from_tenths(381)) == (-7.3, 38.1)
    assert from_quarters(181) == 45.25
    assert from_hundredths(4123) == 41.23


def test_a_negative_zero_is_made_plain() -> None:
    assert math.copysign(1.0, dbuv_to_dbmv(59.99999999999999 + 1e-14)) == 1.0
    assert str(from_tenths(0)) == "0.0"
