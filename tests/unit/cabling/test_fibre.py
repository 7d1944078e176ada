"""Optical receive power against the class B+ budget."""

import pytest

from whichhop.cabling.judge_modem import judge_fibre
from whichhop.cabling.rules import RULES, LevelStanding


def test_the_budget_of_class_b_plus_closes() -> None:
    # ITU-T G.984.2 Amd 1 (from memory): launch 1.5..5 dBm, plant 13..28 dB, penalty 0.5 dB
    # towards the home: least launch, most plant and penalty; most launch, least plant
    rule = RULES["fibre-receive-specification"]
    assert (rule.low, rule.high) == (1.5 - 28 - 0.5, 5 - 13)


@pytest.mark.parametrize(
    ("power", "standing"),
    [
        (-18.0, LevelStanding.FINE),
        (-26.0, LevelStanding.MARGINAL),
        (-27.5, LevelStanding.OUTSIDE),
        (-7.0, LevelStanding.OUTSIDE),
    ],
)
def test_the_light_at_the_home(power: float, standing: LevelStanding) -> None:
    assert judge_fibre(power).standing is standing
