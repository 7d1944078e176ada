"""DSL levels: margin, attenuation and rate."""

import pytest

from whichhop.cabling.judge_modem import judge_dsl
from whichhop.cabling.rules import LevelStanding
from whichhop.model import Direction, DslLine


@pytest.mark.parametrize(
    ("margin", "standing"),
    # common practice: 6 dB is the usual target (ITU-T G.997.1 names it TARSNRM), under it fragile
    [
        (10.0, LevelStanding.FINE),
        (6.0, LevelStanding.FINE),
        (5.9, LevelStanding.MARGINAL),
        (2.9, LevelStanding.OUTSIDE),
    ],
)
def test_the_noise_margin(margin: float, standing: LevelStanding) -> None:
    assert judge_dsl((DslLine(direction=Direction.DOWN, margin_db=margin),)).standing is standing


def test_a_long_line_is_told() -> None:
    judgement = judge_dsl((DslLine(direction=Direction.DOWN, attenuation_db=58.0),))
    assert judgement.standing is LevelStanding.MARGINAL
    assert "long or poor line" in judgement.troubles[0].words


def test_a_line_under_the_plan_is_the_narrow_link() -> None:
    line = DslLine(direction=Direction.DOWN, rate_bps=34e6, attainable_bps=35e6)
    judgement = judge_dsl((line,), {Direction.DOWN: 50e6})
    assert [f.rule for f in judgement.troubles] == ["dsl-rate", "dsl-use"]
    assert "no reserve for noise" in judgement.troubles[1].words


def test_a_line_at_its_plan_with_reserve_is_fine() -> None:
    line = DslLine(direction=Direction.UP, margin_db=9.0, rate_bps=40e6, attainable_bps=60e6)
    assert judge_dsl((line,), {Direction.UP: 40e6}).standing is LevelStanding.FINE


def test_a_modem_that_tells_nothing_is_unknown() -> None:
    assert judge_dsl((DslLine(direction=Direction.UP),)).standing is LevelStanding.UNKNOWN
