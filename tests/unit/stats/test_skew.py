"""Clock skew and steps: found under queueing noise of known making, against scipy's hull and LP."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linprog
from scipy.spatial import ConvexHull

from whichhop.stats.skew import find_steps, fit_skew, lower_hull

SECOND = 1e9
MS = 1e6


def drifting(rng: np.random.Generator, *, ppm: float, packets: int = 600) -> tuple[np.ndarray, np.ndarray]:
    """One packet a second over a 10 ms path with exponential queueing, 3 % lost, a drifting far clock."""
    sent = np.arange(packets) * SECOND
    delay = 10 * MS + rng.exponential(2 * MS, packets) + ppm * 1e-6 * sent + 5 * SECOND
    delay[rng.random(packets) < 0.03] = math.inf
    return sent, delay


@pytest.mark.parametrize("ppm", [-80, -1, 0, 15, 80])
def test_the_skew_of_a_drifting_clock_is_found_to_a_small_part_per_million(ppm: float) -> None:
    sent, delay = drifting(np.random.default_rng(5), ppm=ppm)
    found = fit_skew(sent, delay)
    assert found is not None
    # 600 packets' minima are some microseconds above the path; over 600 s that is hundredths of 1 ppm
    assert found.rate * 1e6 == pytest.approx(ppm, abs=0.2)


def test_the_line_is_the_linear_programmes() -> None:
    # Moon, Skelly and Towsley 1999: among lines under all points, least summed distance; solved by scipy here
    for seed in range(5):
        rng = np.random.default_rng(seed)
        x, y = np.arange(40.0), rng.exponential(3, 40) + 0.1 * np.arange(40)
        best = linprog(
            [-x.sum(), -len(x)], A_ub=np.column_stack([x, np.ones_like(x)]), b_ub=y, bounds=[(None, None)] * 2
        )
        found = fit_skew(x, y)
        assert found is not None
        assert found.under(x).sum() == pytest.approx(-best.fun)
        assert (found.under(x) <= y + 1e-9).all()


@given(st.lists(st.integers(-1000, 1000), min_size=3, max_size=50))
def test_the_lower_hull_lies_under_every_point(heights: list[int]) -> None:
    x, y = np.arange(float(len(heights))), np.array(heights, dtype=float)
    hull = lower_hull(x, y)
    assert hull[0] == 0
    assert hull[-1] == len(x) - 1
    assert (np.interp(x, x[hull], y[hull]) <= y + 1e-9).all()


def test_the_hull_is_scipys() -> None:
    rng = np.random.default_rng(2)
    x, y = np.arange(50.0), rng.normal(size=50)
    ours = set(lower_hull(x, y))
    whole = set(ConvexHull(np.column_stack([x, y])).vertices.tolist())
    assert ours <= whole
    chord = np.interp(x, [0, 49], [y[0], y[49]])
    assert ours == {i for i in whole if y[i] <= chord[i] + 1e-12}


def two_ways(rng: np.random.Generator, packets: int = 200) -> tuple[np.ndarray, np.ndarray]:
    return 10 * MS + rng.exponential(MS, packets), 10 * MS + rng.exponential(MS, packets)


@pytest.mark.parametrize("jump_ms", [-250, -6, 6, 40, 10_000])
def test_a_clock_step_is_found_where_it_happened(jump_ms: float) -> None:
    out, back = two_ways(np.random.default_rng(9))
    out[120:] += jump_ms * MS
    back[120:] -= jump_ms * MS
    out[30] = back[30] = math.inf
    steps = find_steps(out, back)
    assert len(steps) == 1
    # a jump within the noise of single packets is placed to a few packets only
    assert abs(steps[0].index - 120) <= (0 if abs(jump_ms) > 20 else 4)
    assert steps[0].jump_ns == pytest.approx(jump_ms * MS, abs=1.5 * MS)


def test_two_steps_are_two() -> None:
    out, back = two_ways(np.random.default_rng(10))
    for at, jump in ((60, 50 * MS), (130, -80 * MS)):
        out[at:] += jump
        back[at:] -= jump
    assert [s.index for s in find_steps(out, back)] == [60, 130]


def test_a_queue_or_a_new_route_one_way_is_no_clock_step() -> None:
    out, back = two_ways(np.random.default_rng(11))
    out[100:] += 60 * MS
    assert find_steps(out, back) == []
    back[150:] += 90 * MS
    assert find_steps(out, back) == []


def test_a_quiet_path_has_no_step() -> None:
    assert find_steps(*two_ways(np.random.default_rng(12), 2000)) == []


@given(st.integers(0, 100_000))
def test_queues_that_wander_by_tens_of_ms_both_ways_are_no_clock_step(seed: int) -> None:
    # a day's worth of minutes as a bad radio hop has them: exponential waits of 20 ms each way
    rng = np.random.default_rng(seed)
    out, back = 5 * MS + rng.exponential(20 * MS, 400), 5 * MS + rng.exponential(20 * MS, 400)
    assert find_steps(out, back) == []


def test_drift_and_a_pause_are_no_step() -> None:
    out, back = two_ways(np.random.default_rng(13))
    sent = np.arange(200) * SECOND
    sent[100:] += 600 * SECOND
    drift = 80e-6 * sent  # 48 ms over the pause alone
    assert find_steps(out + drift, back - drift, sent_ns=sent) == []


def test_empty_all_lost_and_single_sample_tell_neither_skew_nor_step() -> None:
    for delays in ([], [math.inf] * 40, [5.0]):
        sent, array = np.arange(float(len(delays))), np.array(delays)
        assert fit_skew(sent, array) is None
        assert find_steps(array, array) == []
