"""What a change did to one measure."""

import math
from datetime import UTC

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import confint_proportions_2indep

from whichhop.change.effect import Answer, Effect, Setting, share_effect, shift_effect, together
from whichhop.change.measures import MEASURES
from whichhop.stats.interval import centre

SETTING = Setting(zone=UTC, alpha=0.01, seed=1)
DAY = 24 * 20_000
DELAY = MEASURES["p50_s"]
POWER = MEASURES["power_dbmv"]


def hours(values: np.ndarray, day: int) -> dict[int, float]:
    return {DAY + 24 * day + i: float(v) for i, v in enumerate(values)}


def test_a_shift_is_the_centre_of_the_pairs_differences() -> None:
    rng = np.random.default_rng(1)
    rhythm = 0.02 + 0.005 * np.sin(np.arange(24) / 24 * 2 * np.pi)
    before, after = rhythm + rng.normal(0, 4e-4, 24), rhythm - 0.004 + rng.normal(0, 4e-4, 24)
    found = shift_effect(DELAY, hours(before, 0), hours(after, 1), SETTING)
    assert found.change == pytest.approx(centre(after - before).estimate)
    assert found.answer is Answer.HELPED
    assert found.low is not None
    assert found.high is not None
    assert found.low < -0.004 < found.high
    assert (found.hours, found.needed) == (24, None)


def test_the_days_own_rhythm_is_no_change() -> None:
    # Before: a whole day. After: the evening alone, which is always slower.
    rng = np.random.default_rng(2)
    rhythm = np.where(np.arange(24) >= 18, 0.05, 0.02)
    before = {h: v for d in range(4) for h, v in hours(rhythm + rng.normal(0, 5e-4, 24), d).items()}
    after = {
        h: v
        for d in range(4, 8)
        for h, v in hours(rhythm + rng.normal(0, 5e-4, 24), d).items()
        if h % 24 >= 18
    }
    found = shift_effect(DELAY, before, after, SETTING)
    assert found.answer is Answer.NO_DIFFERENCE
    assert found.needed is None  # sure of it


@given(st.floats(-8, 8), st.integers(0, 2**31))
def test_better_is_never_called_worse(shift_ms: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    before = rng.normal(0.02, 1e-4, 24)
    found = shift_effect(DELAY, hours(before, 0), hours(before + shift_ms * 1e-3, 1), SETTING)
    wanted = Answer.NO_DIFFERENCE if abs(shift_ms) < 1 else Answer.HELPED if shift_ms < 0 else Answer.WORSE
    if abs(abs(shift_ms) - 1) > 1e-6:
        assert found.answer is wanted


def test_too_few_hours_shows_no_difference_and_says_how_many_more() -> None:
    found = shift_effect(DELAY, hours(np.full(3, 0.02), 0), hours(np.full(3, 0.01), 1), SETTING)
    assert found.answer is Answer.NO_DIFFERENCE
    assert found.low == -math.inf
    # 2 / 2^n <= 0.01 from n = 8 on
    assert found.needed == 5


def test_hours_that_never_meet_are_not_measured() -> None:
    found = shift_effect(DELAY, {DAY: 0.01}, {DAY + 25: 0.01}, SETTING)
    assert (found.answer, found.hours, found.change) == (Answer.UNMEASURED, 0, None)


@pytest.mark.parametrize(
    ("before", "after", "answer"),
    [
        (-9.0, -5.5, Answer.HELPED),  # into the range that technicians aim for
        (-2.0, 1.5, Answer.HELPED),  # inside it: less loss on the way
        (6.0, 9.5, Answer.WORSE),  # too strong now
        (-2.0, -5.5, Answer.WORSE),
        (-2.0, -1.8, Answer.NO_DIFFERENCE),
    ],
)
def test_a_level_is_better_nearer_to_its_range(before: float, after: float, answer: Answer) -> None:
    rng = np.random.default_rng(3)
    noise = rng.normal(0, 0.05, (2, 24))
    found = shift_effect(POWER, hours(before + noise[0], 0), hours(after + noise[1], 1), SETTING)
    assert found.answer is answer


def counts(lost: np.ndarray, day: int, sent: int = 3600) -> dict[int, tuple[float, float]]:
    return {DAY + 24 * day + i: (float(k), float(sent)) for i, k in enumerate(lost)}


def test_independent_losses_give_about_newcombes_interval() -> None:
    rng = np.random.default_rng(4)
    old, new = rng.binomial(3600, 0.02, 24), rng.binomial(3600, 0.005, 24)
    found = share_effect(MEASURES["loss"], counts(old, 0), counts(new, 1), SETTING)
    low, high = confint_proportions_2indep(
        int(new.sum()), 24 * 3600, int(old.sum()), 24 * 3600, method="newcomb", alpha=0.01
    )
    assert found.answer is Answer.HELPED
    # Wider by the design effect and Student's t, never narrower.
    assert found.low is not None
    assert found.high is not None
    assert found.low <= low + 1e-9
    assert found.high >= high - 1e-9
    assert found.high - found.low < 1.6 * (high - low)


def test_one_bad_hour_of_bursts_is_no_difference() -> None:
    old, new = np.zeros(24), np.zeros(24)
    new[20] = 700  # a fifth of one hour, as one outage makes it
    found = share_effect(MEASURES["loss"], counts(old, 0), counts(new, 1), SETTING)
    assert found.answer is Answer.NO_DIFFERENCE
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
    near = counts(rng.binomial(3600, 0.02, 24), 0), counts(rng.binomial(3600, 0.02, 24), 1)
    far = counts(rng.binomial(3600, 0.03, 24), 0), counts(rng.binomial(3600, 0.021, 24), 1)
    found = share_effect(MEASURES["loss"], *far, SETTING, near)
    assert found.change == pytest.approx(-0.009, abs=0.003)
    assert found.answer is Answer.HELPED


def effect(answer: Answer) -> Effect:
    return Effect(measure="loss", answer=answer, hours=1, confidence=0.99)


@pytest.mark.parametrize(
    ("answers", "whole"),
    [
        ((Answer.HELPED, Answer.NO_DIFFERENCE), Answer.HELPED),
        ((Answer.HELPED, Answer.WORSE), Answer.MIXED),
        ((Answer.WORSE, Answer.UNMEASURED), Answer.WORSE),
        ((Answer.UNMEASURED,), Answer.UNMEASURED),
        ((Answer.NO_DIFFERENCE, Answer.UNMEASURED), Answer.NO_DIFFERENCE),
    ],
)
def test_several_measures_have_one_answer(answers: tuple[Answer, ...], whole: Answer) -> None:
    assert together(tuple(map(effect, answers))) is whole
