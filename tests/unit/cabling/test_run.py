"""Cable runs: five exercises worked by hand, and the facts of the trade they rest on."""

import math

import pytest

from support.modem_tables import transmit_dbmv
from whichhop.cabling.run import (
    COUPLER_THROUGH_DB,
    SPLITTER_DB,
    expected_dbmv,
    part_loss_db,
    part_words,
    run_loss_db,
    tap_level_dbmv,
    walk_levels,
)
from whichhop.model.cable_run import (
    Amplifier,
    Cable,
    CableKind,
    Coupler,
    Filter,
    Joint,
    Leg,
    Pad,
    Part,
    Run,
    Splitter,
)

MHZ = 1e6
HUNDRED_FEET = 30.48


@pytest.mark.parametrize(
    ("ways", "leg", "loss"),
    # common practice: what is printed on splitters
    [(2, Leg.EVEN, 3.5), (3, Leg.EVEN, 5.5), (3, Leg.STRONG, 3.5), (3, Leg.WEAK, 7.0),
     (4, Leg.EVEN, 7.0), (8, Leg.EVEN, 10.5)],
)  # fmt: skip
def test_loss_per_leg_of_a_splitter(ways: int, leg: Leg, loss: float) -> None:
    assert part_loss_db(Splitter(ways=ways, leg=leg), 600 * MHZ) == loss


@pytest.mark.parametrize(("ways", "ideal"), [(2, 3.0103), (3, 4.7712), (4, 6.0206), (8, 9.0309)])
def test_a_real_balanced_splitter_loses_up_to_2_db_more_than_an_ideal_one(ways: int, ideal: float) -> None:
    # an ideal equal split over N ways loses 10 lg N
    assert 10 * math.log10(ways) == pytest.approx(ideal, abs=1e-4)
    assert ideal < SPLITTER_DB[ways, Leg.EVEN] < ideal + 2.0


def test_no_splitter_gives_out_more_power_than_it_takes_in() -> None:
    unbalanced = [SPLITTER_DB[3, Leg.STRONG], SPLITTER_DB[3, Leg.WEAK], SPLITTER_DB[3, Leg.WEAK]]
    assert sum(10 ** (-db / 10) for db in unbalanced) < 1.0


@pytest.mark.parametrize("value", sorted(COUPLER_THROUGH_DB))
def test_a_coupler_loses_more_through_than_what_its_tap_takes(value: int) -> None:
    # energy conservation: the through output keeps at most 1 - 10^(-tap/10); real ones add up to 1.2 dB
    ideal = -10 * math.log10(1 - 10 ** (-value / 10))
    assert ideal < COUPLER_THROUGH_DB[value] < ideal + 1.2
    assert part_loss_db(Coupler(value_db=value, leg=Leg.TAP), 600 * MHZ) == value


# Exercise 1: 15 dBmV at the tap, 100 ft of RG-6 to a two-way splitter, 50 ft on to the modem, at 750 MHz.
#   cable 1.5 x 5.65 = 8.475 dB; splitter 3.5 dB; total 11.975 dB; at the modem 15 - 11.975 = 3.025 dBmV.
def test_exercise_1_drop_splitter_and_room_cable() -> None:
    run = Run(
        tap_dbmv={750 * MHZ: 15.0},
        parts=(
            Cable(kind=CableKind.RG_6, length_m=HUNDRED_FEET),
            Splitter(ways=2),
            Cable(kind=CableKind.RG_6, length_m=HUNDRED_FEET / 2),
        ),
    )
    assert run_loss_db(run, 750 * MHZ) == pytest.approx(11.975)
    assert expected_dbmv(run, 750 * MHZ) == pytest.approx(3.025)


# Exercise 2: two splitters in a row, 4-way then 2-way, with 75 ft of old RG-59 between, at 550 MHz.
#   tap 10 dBmV; 4-way 7; cable 0.75 x 5.95 = 4.4625; 2-way 3.5; total 14.9625; modem 10 - 14.9625 = -4.9625.
def test_exercise_2_splitters_in_a_row_on_old_cable() -> None:
    run = Run(
        tap_dbmv={550 * MHZ: 10.0},
        parts=(Splitter(ways=4), Cable(kind=CableKind.RG_59, length_m=0.75 * HUNDRED_FEET), Splitter(ways=2)),
    )
    assert expected_dbmv(run, 550 * MHZ) == pytest.approx(-4.9625)


# Exercise 3: tilt. 12 dBmV at 55 MHz and 17 dBmV at 1000 MHz at the tap (pre-tilted), 200 ft of RG-11.
#   55 MHz: 12 - 2 x 0.96 = 10.08; 1000 MHz: 17 - 2 x 4.35 = 8.30.
#   Between, the tap's level is straight in frequency: 527.5 MHz is half way, 14.5 dBmV.
def test_exercise_3_a_tilted_tap_level_flattens_on_the_way() -> None:
    run = Run(
        tap_dbmv={55 * MHZ: 12.0, 1000 * MHZ: 17.0},
        parts=(Cable(kind=CableKind.RG_11, length_m=2 * HUNDRED_FEET),),
    )
    assert expected_dbmv(run, 55 * MHZ) == pytest.approx(10.08)
    assert expected_dbmv(run, 1000 * MHZ) == pytest.approx(8.30)
    assert tap_level_dbmv(run, 527.5 * MHZ) == pytest.approx(14.5)
    assert tap_level_dbmv(run, 5 * MHZ) == 12.0
    assert tap_level_dbmv(run, 1200 * MHZ) == 17.0


# Exercise 4: the way back. The provider wants 0 dBmV at a 20 dB tap, so 20 dBmV at its port; before the
#   modem 100 ft of RG-6 and the weak leg of an unbalanced 3-way, at 5 MHz: 0.58 + 7 = 7.58 dB;
#   it sends 27.58 dBmV.
#   With an amplifier of +10 dB forward and -1 dB in the return path before it: 28.58 dBmV.
def test_exercise_4_transmit_power_on_the_way_back() -> None:
    parts: tuple[Part, ...] = (
        Cable(kind=CableKind.RG_6, length_m=HUNDRED_FEET),
        Splitter(ways=3, leg=Leg.WEAK),
    )
    run = Run(tap_dbmv={55 * MHZ: 10.0}, parts=parts)
    assert transmit_dbmv(run, 5 * MHZ, 20.0) == pytest.approx(27.58)
    boosted = Run(tap_dbmv=run.tap_dbmv, parts=(Amplifier(gain_db=10.0, return_gain_db=-1.0), *parts))
    assert transmit_dbmv(boosted, 5 * MHZ, 20.0) == pytest.approx(28.58)
    assert expected_dbmv(boosted, 55 * MHZ) - expected_dbmv(run, 55 * MHZ) == pytest.approx(10.0)


# Exercise 5: a hot attic. 100 ft of RG-6 at 60 °C, 9 dB coupler through, 6 dB pad, two joints, at 1000 MHz.
#   cable 6.55 x (1 + 0.002 x 40) = 7.074; coupler 1.4; pad 6; joints 2 x 0.2 = 0.4; total 14.874 dB.
def test_exercise_5_a_hot_attic_with_coupler_pad_and_joints() -> None:
    run = Run(
        tap_dbmv={1000 * MHZ: 20.0},
        parts=(
            Joint(name="bonding block"),
            Cable(kind=CableKind.RG_6, length_m=HUNDRED_FEET, temperature_c=60.0),
            Coupler(value_db=9),
            Pad(loss_db=6.0),
            Joint(name="wall plate"),
        ),
    )
    assert run_loss_db(run, 1000 * MHZ) == pytest.approx(14.874)
    assert walk_levels(run, 1000 * MHZ) == pytest.approx((20.0, 19.8, 12.726, 11.326, 5.326, 5.126))


def test_a_filter_stops_what_lies_outside_its_band() -> None:
    part = Filter(name="high-pass", low_hz=85 * MHZ)
    assert part_loss_db(part, 100 * MHZ) == 0.5
    assert part_loss_db(part, 30 * MHZ, upstream=True) == 40.0


def test_a_run_without_a_level_at_its_start_is_refused() -> None:
    with pytest.raises(ValueError, match="level at its start"):
        expected_dbmv(Run(tap_dbmv={}), 1e8)


def test_a_part_that_nobody_makes_is_refused() -> None:
    with pytest.raises(KeyError):
        part_loss_db(Splitter(ways=5), 1e8)


def test_parts_read_as_people_name_them() -> None:
    parts: list[Part] = [
        Cable(kind=CableKind.RG_6, length_m=12.5),
        Cable(kind=CableKind.RG_59, length_m=3, temperature_c=45),
        Splitter(ways=3, leg=Leg.WEAK, serves=("television", "alarm")),
        Coupler(value_db=9),
        Amplifier(gain_db=15, return_gain_db=-1),
        Filter(name="high-pass"),
        Pad(loss_db=6),
        Joint(name="wall plate"),
    ]
    assert [part_words(p) for p in parts] == [
        "12.5 m of RG-6",
        "3 m of RG-59 at 45 °C",
        "3-way splitter, weak leg (also serves television, alarm)",
        "9 dB coupler, through output",
        "amplifier +15 dB, return -1 dB",
        "filter high-pass",
        "6 dB pad",
        "wall plate",
    ]
