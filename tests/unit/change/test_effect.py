"""What a change did to one measure, when days differ."""

import math
from datetime import UTC
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.proportion import confint_proportions_2indep

from whichhop.change.effect import (
    BAD_DAYS,
    DRIFTED,
    KINDS_APART,
    TOO_FEW,
    ChangeAnswer,
    ChangeEffect,
    Setting,
    share_effect,
    shift_effect,
    together,
)
from whichhop.change.measures import MEASURES

SETTING = Setting(zone=UTC, alpha=0.01, common=0.025)
DAY = 24 * 20_521  # 2026-03-09, a Monday
DELAY = MEASURES["p50_s"]
POWER = MEASURES["power_dbmv"]
RHYTHM = 0.02 + 0.005 * np.sin(np.arange(24) / 24 * 2 * np.pi)


def hours(values: np.ndarray, day: int) -> dict[int, float]:
    return {DAY + 24 * day + i: float(v) for i, v in enumerate(values)}


def days(
    seed: int, first: int, many: int, *, differ_s: float = 0.0, added_s: float = 0.0
) -> dict[int, float]:
    """Days with a rhythm, hours that differ by 0.3 ms, and days that differ."""
    rng = np.random.default_rng([seed, first + 100])
    value = np.tile(RHYTHM, many) + rng.normal(0, 3e-4, 24 * many)
    return hours(
        value + np.repeat(rng.normal(0, differ_s, many) if differ_s else np.zeros(many), 24) + added_s, first
    )


def test_a_shift_is_found_with_an_interval_that_holds_it() -> None:
    found = shift_effect(DELAY, days(1, 0, 5), days(1, 5, 4, added_s=-0.004), SETTING)
    assert found.change == pytest.approx(-0.004, abs=2e-4)
    assert found.answer is ChangeAnswer.HELPED
    assert found.low is not None
    assert found.high is not None
    assert found.low < -0.004 < found.high
    assert (found.hours, found.days_before, found.days_after, found.needed) == (96, 5, 4, None)


def test_the_days_own_rhythm_is_no_change() -> None:
    # Before: whole days. After: evenings alone, which are always slower.
    after = {h: v for h, v in days(2, 5, 4).items() if h % 24 >= 18}
    found = shift_effect(DELAY, days(2, 0, 5), after, SETTING)
    assert found.answer is ChangeAnswer.NO_DIFFERENCE
    assert found.needed is None  # sure of it


@settings(max_examples=10, deadline=None)
@given(st.floats(-8, 8), st.integers(0, 2**31))
def test_better_is_never_called_worse(shift_ms: float, seed: int) -> None:
    after = days(seed, 4, 4, added_s=shift_ms * 1e-3)
    found = shift_effect(DELAY, days(seed, 0, 4), after, SETTING)
    assert found.answer is not (ChangeAnswer.WORSE if shift_ms < 0 else ChangeAnswer.HELPED)


def test_one_day_on_each_side_tells_nothing_and_says_why() -> None:
    found = shift_effect(DELAY, days(3, 0, 1), days(3, 1, 1, added_s=-0.01), SETTING)
    assert (found.answer, found.low, found.why) == (ChangeAnswer.NO_DIFFERENCE, -math.inf, TOO_FEW)
    assert found.needed == 2
    assert found.change == pytest.approx(-0.01, abs=1e-3)


def test_one_far_day_after_a_week_may_be_a_bad_one() -> None:
    found = shift_effect(DELAY, days(4, 0, 7), days(4, 7, 1, added_s=0.01), SETTING)
    assert (found.answer, found.why) == (ChangeAnswer.NO_DIFFERENCE, BAD_DAYS)
    assert found.low == 0.0
    # four weeks without one make it rare enough
    past = days(4, -21, 21)
    assert (
        shift_effect(DELAY, days(4, 0, 7), days(4, 7, 1, added_s=0.01), SETTING, past).answer
        is ChangeAnswer.WORSE
    )


def test_hours_that_never_meet_are_not_measured() -> None:
    found = shift_effect(DELAY, {DAY: 0.01}, {DAY + 25: 0.01}, SETTING)
    assert (found.answer, found.hours, found.change) == (ChangeAnswer.UNMEASURED, 0, None)


def test_weekdays_before_and_a_weekend_after_are_not_compared() -> None:
    found = shift_effect(DELAY, days(5, 0, 5), days(5, 5, 2, added_s=-0.01), SETTING)
    assert (found.answer, found.why) == (ChangeAnswer.NO_DIFFERENCE, KINDS_APART)


def test_weekends_that_are_slower_are_no_change_and_weekdays_are_told_apart() -> None:
    # Three weekdays after a week with a slow weekend: only weekdays can be spoken of.
    slow = {h: v + (0.005 if (h - DAY) // 24 in (5, 6) else 0.0) for h, v in days(6, 0, 7).items()}
    found = shift_effect(DELAY, slow, days(6, 7, 3), SETTING)
    assert found.answer is ChangeAnswer.NO_DIFFERENCE
    assert shift_effect(DELAY, slow, days(6, 7, 4, added_s=-0.004), SETTING).when == "weekdays"


def test_evenings_that_alone_are_better_are_shown_as_such() -> None:
    # Seen before: 8 ms better from 18:00 on, 7 and 7 days, days that differ by 1 ms: 0 of 20 before.
    shown = 0
    for seed in range(8):
        after = {h: v - (0.008 if h % 24 >= 18 else 0.0) for h, v in days(seed, 7, 7, differ_s=1e-3).items()}
        found = shift_effect(DELAY, days(seed, 0, 7, differ_s=1e-3), after, SETTING)
        shown += found.answer is ChangeAnswer.HELPED and "evening" in (found.when or "evening")
    assert shown == 8


def test_a_drift_without_a_change_is_not_worse() -> None:
    # Seen before: 0.4 ms a day, said to be worse by 3.1 ms (2.6 to 3.6).
    for seed in range(5):
        whole = {h: v + 4e-4 * (h - DAY) / 24 for h, v in days(seed, -14, 28, differ_s=3e-4).items()}
        past = {h: v for h, v in whole.items() if h < DAY}
        before = {h: v for h, v in whole.items() if DAY <= h < DAY + 168}
        after = {h: v for h, v in whole.items() if h >= DAY + 168}
        found = shift_effect(DELAY, before, after, SETTING, past)
        assert found.answer is ChangeAnswer.NO_DIFFERENCE
        assert found.drift_a_day == pytest.approx(4e-4, rel=0.3)


def test_a_step_that_came_before_the_change_is_told_beside_it() -> None:
    # The home moved in the middle of the time before, by twice what came after the change.
    before = {**days(8, 0, 4), **days(8, 4, 3, added_s=0.006)}
    found = shift_effect(DELAY, before, days(8, 7, 7, added_s=0.006), SETTING)
    assert found.answer is ChangeAnswer.NO_DIFFERENCE
    assert found.why in (DRIFTED, "")


def test_the_clock_change_moves_no_hour_of_the_day() -> None:
    # 2026-03-29: a rhythm by the wall's clock in Berlin; a day of it has 23 hours.
    zone = ZoneInfo("Europe/Berlin")
    setting = Setting(zone=zone, alpha=0.01)
    rng = np.random.default_rng(9)
    start = DAY + 24 * 14

    def value(hour: int) -> float:
        local = (hour + (2 if hour >= DAY + 20 * 24 + 1 else 1)) % 24
        return float(0.02 + 0.01 * (local >= 18) + rng.normal(0, 2e-4))

    before = {h: value(h) for h in range(start, start + 6 * 24)}
    after = {h: value(h) for h in range(start + 7 * 24, start + 13 * 24)}
    found = shift_effect(DELAY, before, after, setting)
    assert found.answer is ChangeAnswer.NO_DIFFERENCE
    assert found.needed is None


@pytest.mark.parametrize(
    ("before", "after", "answer"),
    [
        (-9.0, -5.5, ChangeAnswer.HELPED),  # into the range that technicians aim for
        (-2.0, 1.5, ChangeAnswer.HELPED),  # inside it: less loss on the path
        (6.0, 9.5, ChangeAnswer.WORSE),  # too strong now
        (-2.0, -5.5, ChangeAnswer.WORSE),
        (-2.0, -1.8, ChangeAnswer.NO_DIFFERENCE),
    ],
)
def test_a_level_is_better_nearer_to_its_range(before: float, after: float, answer: ChangeAnswer) -> None:
    rng = np.random.default_rng(3)
    sides = [hours(level + rng.normal(0, 0.05, 24 * 6), day) for level, day in ((before, 0), (after, 6))]
    found = shift_effect(POWER, sides[0], sides[1], SETTING)
    assert found.answer is answer


def counts(lost: np.ndarray, day: int, sent: int = 3600) -> dict[int, tuple[float, float]]:
    return {DAY + 24 * day + i: (float(k), float(sent)) for i, k in enumerate(lost)}


def test_independent_losses_give_about_newcombes_interval() -> None:
    rng = np.random.default_rng(4)
    old, new = rng.binomial(3600, 0.02, 24 * 14), rng.binomial(3600, 0.005, 24 * 14)
    found = share_effect(MEASURES["loss"], counts(old, 0), counts(new, 14), SETTING)
    low, high = confint_proportions_2indep(
        int(new.sum()), 24 * 14 * 3600, int(old.sum()), 24 * 14 * 3600, method="newcomb", alpha=0.01
    )
    assert found.answer is ChangeAnswer.HELPED
    # Wider by how days may differ unseen, never narrower.
    assert found.low is not None
    assert found.high is not None
    assert found.low <= low + 1e-9
    assert found.high >= high - 1e-9
    assert found.high - found.low < 2.5 * (high - low)


def test_one_bad_day_of_bursts_is_no_difference() -> None:
    old, new = np.zeros(24 * 7), np.zeros(24 * 7)
    new[100:124] = 200  # 5 % of one day
    found = share_effect(MEASURES["loss"], counts(old, 0), counts(new, 7), SETTING)
    assert found.answer is ChangeAnswer.NO_DIFFERENCE
    assert found.needed is not None


def test_evenings_weigh_the_same_on_both_sides() -> None:
    # Nothing changed: evenings lose 5 %, mornings nothing; after the change mostly evenings were measured.
    loss = np.where(np.arange(24) >= 18, 180.0, 0.0)
    before = {h: c for d in range(5) for h, c in counts(loss, d).items()}
    after = {h: c for d in range(7, 12) for h, c in counts(loss, d).items() if h % 24 >= 12 or d == 7}
    found = share_effect(MEASURES["loss"], before, after, SETTING)
    assert found.change == pytest.approx(0.0, abs=1e-12)


def test_a_links_own_loss_is_what_the_near_session_does_not_see() -> None:
    rng = np.random.default_rng(5)
    week = 24 * 7
    near = counts(rng.binomial(3600, 0.02, week), 0), counts(rng.binomial(3600, 0.02, week), 7)
    far = counts(rng.binomial(3600, 0.03, week), 0), counts(rng.binomial(3600, 0.021, week), 7)
    found = share_effect(MEASURES["loss"], *far, SETTING, near)
    assert found.change == pytest.approx(-0.009, abs=0.001)
    assert found.answer is ChangeAnswer.HELPED


def effect(answer: ChangeAnswer) -> ChangeEffect:
    return ChangeEffect(measure="loss", answer=answer, hours=1, confidence=0.99)


@pytest.mark.parametrize(
    ("answers", "whole"),
    [
        ((ChangeAnswer.HELPED, ChangeAnswer.NO_DIFFERENCE), ChangeAnswer.HELPED),
        ((ChangeAnswer.HELPED, ChangeAnswer.WORSE), ChangeAnswer.MIXED),
        ((ChangeAnswer.WORSE, ChangeAnswer.UNMEASURED), ChangeAnswer.WORSE),
        ((ChangeAnswer.UNMEASURED,), ChangeAnswer.UNMEASURED),
        ((ChangeAnswer.NO_DIFFERENCE, ChangeAnswer.UNMEASURED), ChangeAnswer.NO_DIFFERENCE),
    ],
)
def test_several_measures_have_one_answer(answers: tuple[ChangeAnswer, ...], whole: ChangeAnswer) -> None:
    assert together(tuple(map(effect, answers))) is whole
