"""A step under days that differ: against statsmodels' mixed model, scipy's t, and simulated days."""

import math

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats

from whichhop.stats.level_step import AFTER, BEFORE, PAST, LevelStep, Places, level_step, steady_drift

GRAIN = 1e-6


def places(days: int, change: int, *, per_day: int = 4, past: int = 0) -> Places:
    """Days of equal parts; day 4 is a Monday."""
    at = np.arange(days * per_day)
    day = at // per_day + 4
    side = np.where(day - 4 < past, PAST, np.where(day - 4 < change, BEFORE, AFTER))
    return Places(at_days=(at + 0.5) / per_day, day=day, part=at % per_day, side=side)


def test_one_part_is_scipys_t() -> None:
    one = LevelStep(
        centres=np.array([2.0]), errors=np.array([0.5]), weights=np.array([1.0]), freedom=7, drifts=0.0
    )
    low, high = stats.t.interval(0.99, 7, loc=2.0, scale=0.5)
    found = one.interval(0.99)
    assert (found.low, found.high) == pytest.approx((low, high), abs=1e-3)
    assert one.under(0.0) == pytest.approx(float(stats.t.cdf(-4.0, 7)))
    assert one.over(20.0) == pytest.approx(float(stats.t.sf(36.0, 7)), rel=1e-6)


@pytest.mark.parametrize("size", [0.5, 1.0, 3.0])
def test_many_days_that_differ_give_what_statsmodels_mixed_model_gives(size: float) -> None:
    dice = np.random.default_rng(round(size * 10))
    where = places(80, 40)
    values = (
        dice.standard_normal(320)
        + np.repeat(size * dice.standard_normal(80), 4)
        + np.tile([0.0, 1.0, 2.0, -1.0], 80)
        + 1.5 * (where.side == AFTER)
    )
    frame = pd.DataFrame(
        {"y": values, "after": (where.side == AFTER) * 1.0, "part": where.part, "day": where.day}
    )
    wanted = smf.mixedlm("y ~ C(part) + after", frame, groups="day").fit(reml=True)
    found = level_step(where, values, grain=GRAIN, day_memory=0.02)
    assert found is not None
    assert found.estimate == pytest.approx(wanted.params["after"], abs=0.25 * wanted.bse["after"])
    # Wider by what may be remembered or drift unseen, never much narrower.
    assert 0.9 * wanted.bse["after"] < found.error < 1.6 * wanted.bse["after"]


def test_a_past_makes_a_step_surer_by_telling_how_days_differ() -> None:
    dice = np.random.default_rng(5)
    day = dice.standard_normal(31)
    values = np.repeat(day, 4) + 0.1 * dice.standard_normal(124)
    long = level_step(places(31, 28, past=21), values, grain=GRAIN, day_memory=0.02)
    short = level_step(places(10, 7), values[84:], grain=GRAIN, day_memory=0.02)
    assert long is not None
    assert short is not None
    wide, narrow = short.interval(0.999), long.interval(0.999)
    assert narrow.high - narrow.low < 0.8 * (wide.high - wide.low)


def test_a_drift_is_found_and_is_no_step() -> None:
    dice = np.random.default_rng(6)
    where = places(35, 28, past=21)
    values = 0.4 * where.at_days + np.repeat(0.5 * dice.standard_normal(35), 4)
    values += dice.standard_normal(140) * 0.2
    found = level_step(where, values, grain=GRAIN, day_memory=0.02)
    drift = steady_drift(where, values, grain=GRAIN, day_memory=0.02)
    assert found is not None
    assert drift is not None
    assert found.drifts > 0.9
    assert 0.0 in found.interval(0.99)
    assert 0.4 in drift.interval(0.99)


def test_equal_values_are_known_to_their_grain_and_no_better() -> None:
    where = places(6, 3)
    values = np.where(where.side == AFTER, 3.0, 1.0)
    found = level_step(where, values, grain=0.1, day_memory=0.02)
    assert found is not None
    assert found.estimate == pytest.approx(2.0)
    assert found.error > 0.1 * math.sqrt(2 / 12) / 2


def test_as_many_unknowns_as_values_tell_nothing() -> None:
    assert level_step(places(1, 0), np.zeros(4), grain=0.1, day_memory=0.02) is None
