"""The time-shifted test: do codeword bursts and loss on the access link fall together beyond chance?"""

import numpy as np
import pytest
from scipy import stats

from whichhop.cabling.codeword_timing import (
    LEAST_INTERVALS,
    LEAST_SHIFT,
    bursts_of,
    lined_up,
    seconds_inside,
)


def bursty(generator: np.random.Generator, n: int, rate: float = 0.05, stay: float = 0.6) -> np.ndarray:
    """A two-state chain: bursts cluster, as they do on real lines."""
    out, on = np.zeros(n, dtype=bool), False
    for i in range(n):
        on = generator.random() < (stay if on else rate)
        out[i] = on
    return out


def test_seconds_of_an_episode_are_shared_among_the_intervals_it_crosses() -> None:
    inside = seconds_inside([0, 60, 120, 180], [(50, 70), (130, 140), (175, 500)])
    assert inside.tolist() == [10.0, 10.0, 15.0]  # by hand: 10; 10; 10 + 5


def test_a_burst_stands_out_of_the_usual_count_and_gaps_are_no_bursts() -> None:
    counts = [0, 0, 3, 0, float("nan"), 0, 0]
    assert bursts_of(counts).tolist() == [False, False, True, False, False, False, False]
    noisy = [20, 22, 19, 400, 21, float("nan"), 20]
    assert bursts_of(noisy).tolist() == [False, False, False, True, False, False, False]


def test_p_is_the_share_of_shifts_that_match_as_well_counted_by_hand() -> None:
    # 40 intervals, bursts at 3 and 23, 10 s of loss at 3 and 4 s at 30: the truth matches 10 s.
    # Shift s puts bursts at 3+s and 23+s (mod 40). It matches 10 s when 3 or 23 moves onto 3: s = 0, 20;
    # 4 s when onto 30: s = 27, 7. Shifts tried are 5..35: only s = 20 matches as well, one of 31.
    bursts = np.zeros(40, dtype=bool)
    bursts[[3, 23]] = True
    loss = np.zeros(40)
    loss[3], loss[30] = 10.0, 4.0
    timing = lined_up(bursts, loss)
    assert timing.shifts == 40 - 2 * LEAST_SHIFT + 1 == 31
    assert timing.matched_s == 10.0
    assert timing.p_value == pytest.approx(2 / 32)
    assert timing.expected_s == pytest.approx((10 + 4 + 4) / 31)


def test_bursts_that_cause_the_loss_are_found() -> None:
    generator = np.random.default_rng(11)
    bursts = bursty(generator, 1000)
    loss = bursts * generator.uniform(5, 30, 1000) * (generator.random(1000) < 0.7)
    timing = lined_up(bursts, loss)
    assert timing.p_value is not None
    assert timing.p_value < 0.01
    assert timing.matched_s > 3 * (timing.expected_s or 0.0)


def test_unrelated_bursts_are_not_found_more_often_than_p_says() -> None:
    # Under "no tie" p may be no smaller than uniform (ties make it larger): held against scipy's one-sided
    # Kolmogorov-Smirnov test on 300 runs, and the count under 0.05 against its binomial spread.
    generator = np.random.default_rng(5)
    ps = []
    for _ in range(300):
        timing = lined_up(bursty(generator, 400), bursty(generator, 400) * 10.0)
        if timing.p_value is not None:
            ps.append(timing.p_value)
    assert len(ps) > 280
    assert sum(p <= 0.05 for p in ps) <= stats.binom.ppf(0.999, len(ps), 0.05)
    assert stats.kstest(ps, "uniform", alternative="greater").pvalue > 0.001


def test_a_plain_test_would_be_fooled_where_the_shifted_one_is_not() -> None:
    # One long storm in each series, apart by chance or not: Fisher's test takes every interval for a
    # witness of its own and is sure; with shifts the storms count once.
    bursts = np.zeros(200, dtype=bool)
    loss = np.zeros(200)
    bursts[50:90] = True
    loss[60:100] = 10.0
    table = [[30, 10], [10, 150]]
    assert stats.fisher_exact(table).pvalue < 1e-10
    p = lined_up(bursts, loss).p_value
    assert p is not None
    assert p > 0.02


def test_too_little_says_nothing_and_why() -> None:
    short = lined_up(np.ones(10, dtype=bool), np.ones(10))
    assert short.p_value is None
    assert str(LEAST_INTERVALS) in short.why
    quiet = lined_up(np.zeros(100, dtype=bool), np.ones(100))
    assert (quiet.p_value, quiet.why) == (None, "no burst of uncorrectable codewords")
    lossless = lined_up(np.ones(100, dtype=bool), np.zeros(100))
    assert (lossless.p_value, lossless.why) == (None, "no loss on the access link")


def test_every_shift_is_scored_as_a_plain_roll_would() -> None:
    generator = np.random.default_rng(2)
    bursts, loss = bursty(generator, 301), generator.uniform(0, 9, 301)
    rolled = [float(np.roll(bursts, s) @ loss) for s in range(LEAST_SHIFT, 301 - LEAST_SHIFT + 1)]
    timing = lined_up(bursts, loss)
    truth = float(bursts @ loss)
    assert timing.p_value == (1 + sum(r >= truth - 1e-9 for r in rolled)) / (1 + len(rolled))
    assert timing.expected_s == pytest.approx(np.mean(rolled))


def test_series_of_different_length_are_refused() -> None:
    with pytest.raises(ValueError, match="50 intervals of bursts against 49"):
        lined_up(np.zeros(50, dtype=bool), np.zeros(49))
