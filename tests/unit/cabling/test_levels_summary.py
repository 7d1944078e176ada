"""A reading in one screen: one line a complaint, the worst channel named, nothing unread called good."""

from typing import Any

from msgspec.structs import replace

from support.channels import down, reading, up
from whichhop.cabling.judge_modem import judge_modem
from whichhop.cabling.levels_summary import LevelsSummary, summary
from whichhop.model import Channel, ModemLevels

GOOD: dict[str, Any] = {"unerrored": 10**9, "corrected": 0, "uncorrectable": 0}


def short(levels: ModemLevels, before: ModemLevels | None = None) -> LevelsSummary:
    return summary(levels, judge_modem(levels, before), counted=before is not None)


def fleet(**facts: float) -> list[Channel]:
    return [*(down(i, **{**GOOD, **facts}) for i in range(1, 25)), *(up(i) for i in range(1, 5))]


def test_every_level_inside_is_good_only_where_all_were_read() -> None:
    assert short(reading(fleet())).headline.startswith("Good: every level is inside")
    blind = reading([*(down(i, mer_db=None, **GOOD) for i in range(1, 5)), up(1)])
    assert short(blind).headline == "Nothing is wrong in what was read; not read: downstream SNR"
    assert short(reading([down(1, **GOOD)])).not_read == ("upstream",)
    some = reading([down(1, **GOOD), down(2, power_dbmv=None, **GOOD), up(1)])
    assert short(some).not_read == ("downstream power of 1 of 2 channels",)


def test_nothing_read_is_not_determined() -> None:
    assert short(reading([])).headline == "Not determined; not read: downstream, upstream"


def test_channels_of_one_complaint_are_one_line_with_the_worst() -> None:
    # Common practice: -7 to +7 dBmV is aimed for, so -8 to -9.9 is marginal and no limit is broken.
    channels = [down(i, power_dbmv=-7.9 - i / 10, **GOOD) for i in range(1, 21)] + [up(1)]
    found = short(reading(channels))
    (one,) = found.complaints
    assert (one.count, one.of) == (20, 20)
    assert one.short == "downstream power too low on 20 of 20 channels, worst down-20: -9.9 dBmV"
    assert found.headline == f"Marginal: {one.short}"


def test_beyond_the_published_limit_is_bad_and_stands_for_both_rules() -> None:
    channels = [down(1, power_dbmv=-17.0, **GOOD), down(2, power_dbmv=-8.0, **GOOD), up(1)]
    found = short(reading(channels))
    power = [c for c in found.complaints if c.worst.subject == "downstream power"]
    assert [(c.count, c.worst.about) for c in power] == [(2, "down-1")]
    assert found.word == "bad"
    assert "-15 to +15 dBmV" in power[0].words


def test_too_high_and_too_low_are_two_complaints() -> None:
    channels = [down(1, power_dbmv=-9.0, **GOOD), down(2, power_dbmv=9.0, **GOOD), up(1)]
    sides = [c.side for c in short(reading(channels)).complaints if c.worst.subject == "downstream power"]
    assert sorted(sides) == ["too high", "too low"]


def test_what_is_felt_most_is_told_first() -> None:
    before = reading(fleet(), 0)
    now = reading(fleet(unerrored=10**9 + 10**6, uncorrectable=5000, power_dbmv=-16.0), 3600)
    assert short(now, before).complaints[0].worst.subject == "uncorrectable codewords"


def test_unknown_columns_are_told_only_where_something_is_missing() -> None:
    whole = replace(reading(fleet()), not_read=("Symbol Rate",))
    assert short(whole).unknown_columns == ()
    lacking = replace(reading([down(1, mer_db=None), up(1)]), not_read=("Störabstand",))
    assert short(lacking).unknown_columns == ("Störabstand",)
