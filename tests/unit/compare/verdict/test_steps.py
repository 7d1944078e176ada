"""An episode is cut where its delay steps for good, and nowhere else."""

import numpy as np
import pytest

from whichhop.compare.verdict.steps import cuts, outages

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


def lost_and_late(*parts: tuple[int, float, float]) -> tuple[np.ndarray, np.ndarray]:
    """Ticks of so many parts: how many, the share that is lost, the delay."""
    lost = np.concatenate([np.full(n, share) for n, share, _ in parts])
    late = np.concatenate([np.full(n, np.nan if share == 1.0 else s) for n, share, s in parts])
    return lost, late


def test_an_outage_inside_what_delays_or_loses_is_cut_at_both_its_ends():
    assert outages(*lost_and_late((12, 0.0, LINE), (6, 1.0, 0.0), (12, 0.0, LINE))) == [12, 18]
    assert outages(*lost_and_late((12, 0.3, 0.0), (6, 1.0, 0.0), (12, 0.3, 0.0))) == [12, 18]


def test_an_outage_that_ends_or_begins_the_fault_is_cut_once():
    assert outages(*lost_and_late((12, 0.0, LINE), (6, 1.0, 0.0))) == [12]
    assert outages(*lost_and_late((6, 1.0, 0.0), (12, 0.0, LINE), (4, 0.0, 0.0))) == [6]


def test_what_is_gone_at_times_and_well_between_is_one():
    assert outages(*lost_and_late((4, 1.0, 0.0), (4, 0.0, 0.0), (4, 1.0, 0.0), (4, 0.0, 0.0))) == []
    assert outages(*lost_and_late((20, 1.0, 0.0))) == []


def test_one_tick_of_all_that_is_lost_is_no_outage_of_its_own():
    assert outages(*lost_and_late((12, 0.6, LINE), (1, 1.0, 0.0), (12, 0.6, LINE))) == []


def test_what_nobody_can_tell_is_no_outage():
    """NaN: another fault touches all that crosses it."""
    lost, late = lost_and_late((12, 0.0, LINE), (6, 1.0, 0.0), (12, 0.0, LINE))
    lost[12:18] = np.nan
    assert outages(lost, late) == []
