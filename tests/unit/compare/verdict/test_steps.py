"""An episode is cut where its delay steps for good, and nowhere else."""

import numpy as np
import pytest

from whichhop.compare.verdict.steps import cuts

LINE, BOTH = 0.100, 0.600


def wandering(level_s: float, ticks: int, seed: int = 1) -> list[float]:
    """A level with a fifth of it as noise."""
    return (level_s * (1 + 0.2 * np.random.default_rng(seed).standard_normal(ticks))).tolist()


@pytest.mark.parametrize("before", [2, 6, 30])
def test_a_fault_and_what_is_put_on_top_of_it_are_two(before):
    assert cuts(np.array([*wandering(LINE, before), *wandering(BOTH, 20)])) == [before]


def test_one_inside_the_other_is_cut_at_both_its_ends():
    assert cuts(np.array([*wandering(LINE, 12), *wandering(BOTH, 12), *wandering(LINE, 12)])) == [12, 24]


@pytest.mark.parametrize("seed", range(20))
def test_one_level_however_it_wanders_is_one(seed):
    rng = np.random.default_rng(seed)
    assert cuts(0.080 * np.exp(0.3 * rng.standard_normal(60))) == []


@pytest.mark.parametrize("on", [1, 2, 3, 6])
def test_bursts_and_flapping_are_one(on):
    assert cuts(np.array(([0.150] * on + [0.001] * 3) * 8)) == []


def test_a_lull_at_an_edge_is_no_piece_of_its_own():
    assert cuts(np.array([0.001, 0.002, *wandering(LINE, 20), 0.001, 0.001])) == []


def test_a_step_that_nobody_feels_is_none():
    assert cuts(np.array([*[0.012] * 10, *[0.030] * 10])) == []


def test_ticks_without_an_answer_cut_nothing_by_themselves():
    assert cuts(np.array([LINE] * 10 + [np.nan] + [LINE] * 10)) == []


def test_too_few_ticks_are_one():
    assert cuts(np.array([LINE, BOTH, BOTH])) == []
    assert cuts(np.array([])) == []


def test_a_window_that_holds_only_some_of_a_piece_is_none_of_its_own():
    assert cuts(np.array([0.028, 0.036, *wandering(0.280, 28), 0.086])) == [2]


def test_a_step_stays_while_the_next_one_is_too_young():
    # As live use sees it: the end of an upload that ran on top of a fault of the line, tick by tick.
    levels = [*wandering(LINE, 6), *wandering(BOTH, 12), *wandering(LINE, 6)]
    assert [cuts(np.array(levels[:n])) for n in (18, 19, 20, 21)] == [[6], [6], [6], [6, 18]]
