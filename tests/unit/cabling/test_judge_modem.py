"""One judgement for whatever kind of line a modem ends."""

from msgspec.structs import replace

from support.channels import down, reading
from whichhop.cabling.judge_modem import judge_modem
from whichhop.cabling.rules import LevelStanding
from whichhop.model import Direction, DslLine, Plan

PLAN = Plan(down_bps=50_000_000, up_bps=10_000_000)


def test_a_dsl_line_is_held_against_its_margin_and_the_plan() -> None:
    line = DslLine(direction=Direction.DOWN, margin_db=4.0, rate_bps=34e6)
    judgement = judge_modem(replace(reading([]), dsl=(line,)), plan=PLAN)
    assert [f.rule for f in judgement.troubles] == ["dsl-rate", "dsl-margin-fragile"]


def test_the_light_of_a_fibre_is_judged() -> None:
    judgement = judge_modem(replace(reading([]), receive_dbm=-28.5))
    assert judgement.standing is LevelStanding.OUTSIDE
    assert "a bent or dirty fibre" in judgement.troubles[0].words


def test_channels_and_counters_are_judged_as_before() -> None:
    before = reading([down(1, unerrored=0, corrected=0, uncorrectable=0)], 0)
    after = reading([down(1, unerrored=9000, corrected=0, uncorrectable=1000)], 60)
    assert judge_modem(after, before).standing is LevelStanding.OUTSIDE


def test_an_empty_reading_is_unknown() -> None:
    assert judge_modem(reading([])).standing is LevelStanding.UNKNOWN
