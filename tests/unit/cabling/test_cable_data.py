"""Coax attenuation by type, frequency, length and temperature."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.cabling.run import CABLES, cable_loss_db, db_per_100_ft
from whichhop.model.cable_run import CableKind

MHZ = 1e6


@pytest.mark.parametrize(
    ("mhz", "db"),
    # typical maker's figures for series 6 at 20 °C, common practice
    [(5, 0.58), (55, 1.60), (211, 3.05), (300, 3.55), (400, 4.15),
     (550, 4.90), (750, 5.65), (865, 6.10), (1000, 6.55)],
)  # fmt: skip
def test_printed_figures_of_rg_6(mhz: float, db: float) -> None:
    assert db_per_100_ft(CableKind.RG_6, mhz * MHZ) == pytest.approx(db, abs=1e-9)


@pytest.mark.parametrize("kind", list(CableKind))
def test_loss_follows_the_root_of_the_frequency_within_8_percent_above_50_mhz(kind: CableKind) -> None:
    # Skin effect: loss grows with sqrt(f). One constant per cable fits all of its printed points.
    points = [(f, db) for f, db in CABLES[kind] if f >= 50]
    constant = sum(db / math.sqrt(f) for f, db in points) / len(points)
    for f, db in points:
        assert db == pytest.approx(constant * math.sqrt(f), rel=0.08)


def test_a_thicker_cable_loses_less() -> None:
    for mhz in (10, 100, 500, 900):
        thin, usual, thick = (
            db_per_100_ft(k, mhz * MHZ) for k in (CableKind.RG_59, CableKind.RG_6, CableKind.RG_11)
        )
        assert thin > usual > thick


def test_between_printed_points_the_root_of_frequency_is_straight() -> None:
    # by hand: 640 MHz lies (sqrt 640 - sqrt 550)/(sqrt 750 - sqrt 550) = (25.2982-23.4521)/(27.3861-23.4521)
    # = 0.46927 of the way: 4.90 + 0.46927 x 0.75 = 5.2520
    assert db_per_100_ft(CableKind.RG_6, 640 * MHZ) == pytest.approx(5.2520, abs=1e-4)


def test_outside_the_table_the_root_law_goes_on() -> None:
    assert db_per_100_ft(CableKind.RG_6, 1210 * MHZ) == pytest.approx(6.55 * 1.1)  # sqrt 1.21 = 1.1
    assert db_per_100_ft(CableKind.RG_6, 1.25 * MHZ) == pytest.approx(0.29)  # sqrt 0.25 = 0.5


def test_loss_rises_by_0_2_percent_a_degree() -> None:
    # makers' notes: 1 % for 10 °F; worked example there: 0.055 dB/ft at 68 °F is 0.056936 at 100 °F
    ratio = db_per_100_ft(CableKind.RG_6, 750 * MHZ, (100 - 32) / 1.8) / db_per_100_ft(
        CableKind.RG_6, 750 * MHZ
    )
    assert ratio == pytest.approx(0.056936 / 0.055, abs=0.001)


@given(st.floats(0.0, 500.0), st.floats(5e6, 1.2e9), st.floats(-40.0, 60.0))
def test_loss_is_proportional_to_length(length_m: float, hz: float, celsius: float) -> None:
    one = cable_loss_db(CableKind.RG_6, 1.0, hz, celsius)
    assert cable_loss_db(CableKind.RG_6, length_m, hz, celsius) == pytest.approx(length_m * one)
    assert one > 0
