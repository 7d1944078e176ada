"""Rooms judged and two walks compared: intervals by hand, by statsmodels, and where they end."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import confint_proportions_2indep

from support.room_results import KITCHEN
from whichhop.model.room import RoomResult
from whichhop.report.rooms import Change, Quality, changes, judged, loss_between

PLAN = 100e6


@pytest.mark.parametrize(
    ("change", "quality"),
    [
        ({}, Quality.GOOD),
        ({"lost": 1}, Quality.GOOD),  # one of 300 tells nothing
        ({"lost": 300, "p50_s": None, "p95_s": None}, Quality.DEAD),
        ({"sent": 0, "unsent": 300, "p50_s": None, "p95_s": None}, Quality.DEAD),
        ({"lost": 80}, Quality.DEAD),  # 26.7 %, 22.0 to 31.9 % by Wilson
        ({"lost": 60}, Quality.POOR),  # 20 %, from 15.9 %: a fifth is not sure
        ({"lost": 5}, Quality.FAIR),  # 1.7 %, 0.7 to 3.8 %: may be over 2 %
        ({"p95_s": 0.2}, Quality.POOR),
        ({"p95_s": 0.06}, Quality.FAIR),
        ({"down_bps": 9e6}, Quality.POOR),
        ({"down_bps": 49e6}, Quality.FAIR),
        ({"down_bps": 9e6, "down_at_least": 1.0}, Quality.GOOD),  # the path was not the limit
    ],
)
def test_a_room_stands_by_its_worst_figure(change: dict[str, float | None], quality: Quality) -> None:
    found = judged(replace(KITCHEN, **change), PLAN)  # type: ignore[arg-type]
    assert found.quality is quality
    assert found.why


def test_a_home_without_a_plan_is_judged_by_packets_alone() -> None:
    assert judged(replace(KITCHEN, down_bps=1e6), None).quality is Quality.GOOD


@given(st.integers(1, 500), st.integers(1, 500), st.data())
def test_the_interval_of_two_losses_is_newcombes(n: int, m: int, data: st.DataObject) -> None:
    lost, was = data.draw(st.integers(0, n)), data.draw(st.integers(0, m))
    found = loss_between(replace(KITCHEN, sent=m, lost=was), replace(KITCHEN, sent=n, lost=lost))
    theirs = confint_proportions_2indep(lost, n, was, m, method="newcomb")
    assert found == pytest.approx(theirs, abs=1e-9)


def test_newcombes_own_worked_example_comes_out() -> None:
    # Newcombe 1998, Statistics in Medicine 17, table II (a): 56/70 against 48/80 gives 0.0524 to 0.3339.
    low, high = loss_between(replace(KITCHEN, sent=80, lost=48), replace(KITCHEN, sent=70, lost=56))
    assert (low, high) == pytest.approx((0.0524, 0.3339), abs=5e-5)


def by_figure(before: RoomResult, after: RoomResult) -> dict[str, Change]:
    return {c.figure: c for c in changes([before], [after])}


def test_only_what_is_sure_is_called_better_or_worse() -> None:
    found = by_figure(
        replace(KITCHEN, lost=30, down_bps=40e6),
        replace(KITCHEN, lost=0, p50_s=0.0031, p50_low_s=0.0029, p50_high_s=0.0034),
    )
    assert found["loss"].better is True
    assert found["round trip"].better is None
    assert found["rate down"].better is True
    assert found["rate up"].better is None
    back = by_figure(
        KITCHEN, replace(KITCHEN, lost=30, down_bps=40e6, p50_s=0.01, p50_low_s=0.009, p50_high_s=0.011)
    )
    assert back["loss"].better is False
    assert back["round trip"].better is False
    assert back["rate down"].better is False
    assert "worse" in back["loss"].words


def test_two_transfers_a_tenth_apart_do_not_differ_for_sure() -> None:
    # a tenth of 92 and of 83 Mb/s, squared and added: 12.4 Mb/s of doubt, over the difference of 9
    assert by_figure(KITCHEN, replace(KITCHEN, down_bps=83e6))["rate down"].better is None
    assert by_figure(KITCHEN, replace(KITCHEN, down_bps=76e6))["rate down"].better is False


def test_rooms_and_figures_that_only_one_walk_has_are_not_compared() -> None:
    assert changes([KITCHEN], [replace(KITCHEN, room="attic")]) == ()
    dead = replace(KITCHEN, lost=300, p50_s=None, p50_low_s=None, p50_high_s=None, down_bps=None, up_bps=None)
    assert [c.figure for c in changes([KITCHEN], [dead])] == ["loss"]
    assert changes([KITCHEN], [replace(dead, sent=0, lost=0)]) == ()
