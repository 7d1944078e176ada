import numpy as np
import pytest

from whichhop.compare.inference.baseline import Baseline
from whichhop.compare.inference.past import at_best, best, stepped_down

SLOW = Baseline(
    loc50=np.array([0.050], np.float32),
    scale50=np.array([0.001], np.float32),
    loc80=np.array([0.050], np.float32),
    scale80=np.array([0.001], np.float32),
    loss=np.zeros(1),
    rho=np.zeros(1),
    slow=np.zeros(1),
    slow_rho=np.zeros(1),
    answered=np.array([200]),
)
RNG = np.random.default_rng(5)


def held(q50, *, lost=None, each=30, step_s=300.0):
    sent = np.full(q50.shape, 10.0)
    none = np.zeros(q50.shape)
    return at_best(
        q50.astype(np.float32), sent, none if lost is None else lost, none, each=each, step_s=step_s
    )


def ticks(*pieces, noise_s=0.0004):
    """One session's round trips: (ticks, seconds) after (ticks, seconds)."""
    level = np.concatenate([np.full(n, s) for n, s in pieces])
    return (level + np.abs(RNG.normal(0, noise_s, len(level))))[:, None]


def test_one_steady_level_is_the_best_throughout():
    assert held(ticks((900, 0.012))).all()


@pytest.mark.parametrize("worse", [25, 40, 170])
def test_the_ticks_of_a_worse_level_are_none_of_the_best(worse):
    kept = held(ticks((worse, 0.050), (240, 0.010)))[:, 0]
    assert not kept[:worse].any()
    assert kept[-210:].mean() > 0.99


def test_in_the_first_hour_the_lowest_level_counts_and_later_the_tenth_percentile():
    # 11 levels of five minutes, then 20: by hand, sorted.
    levels = np.arange(20, 0, -1, dtype=float)[:, None]
    assert best(levels[:11], 300.0)[0] == 10
    assert best(levels, 300.0)[0] == 3


def test_a_lull_of_some_minutes_in_ten_hours_does_not_make_the_rest_slow():
    q50 = ticks((1800, 0.020), (30, 0.008), (1800, 0.020))
    assert held(q50).mean() > 0.98


def test_a_stretch_that_lost_is_none_of_the_best():
    q50 = ticks((300, 0.010))
    lost = np.zeros((300, 1))
    lost[:150:2] = 1.0
    kept = held(q50, lost=lost)[:, 0]
    assert not kept[:150].any()
    assert kept[150:].all()


def test_silence_is_neither_good_nor_bad():
    q50 = ticks((300, 0.010))
    q50[60:120] = np.nan
    assert held(q50).all()


def test_a_step_down_is_adopted_after_five_minutes_and_a_short_one_never():
    down = ticks((10, 0.050), (60, 0.010))
    speaks = np.ones(down.shape, bool)
    assert stepped_down(down.astype(np.float32), speaks, SLOW, 200, 10.0) == 40
    short = ticks((10, 0.050), (20, 0.010), (40, 0.050))
    assert stepped_down(short.astype(np.float32), speaks, SLOW, 200, 10.0) is None


def test_after_ten_hours_a_better_level_must_hold_for_one():
    down = ticks((1000, 0.010))
    speaks = np.ones(down.shape, bool)
    assert stepped_down(down.astype(np.float32), speaks, SLOW, 3600, 10.0) == 360
