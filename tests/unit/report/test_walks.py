"""Two walks compared: intervals by statsmodels and worked examples, and visits without a change."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace
from statsmodels.stats.proportion import confint_proportions_2indep

from support.room_results import KITCHEN
from whichhop.model.room import RoomResult
from whichhop.report.walks import RoomChange, changes, loss_between


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


def by_figure(before: RoomResult, after: RoomResult) -> dict[str, RoomChange]:
    return {c.figure: c for c in changes([before], [after])}


def test_only_what_is_more_than_two_visits_differ_by_is_called_better_or_worse() -> None:
    found = by_figure(
        replace(KITCHEN, lost=60, down_bps=30e6),
        replace(KITCHEN, lost=0, p50_s=0.0034, p50_low_s=0.0032, p50_high_s=0.0036),
    )
    assert found["loss"].better is True
    assert found["round trip"].better is None
    assert found["rate down"].better is True
    assert found["rate up"].better is None
    back = by_figure(
        KITCHEN, replace(KITCHEN, lost=60, down_bps=30e6, p50_s=0.02, p50_low_s=0.019, p50_high_s=0.021)
    )
    assert back["loss"].better is False
    assert back["round trip"].better is False
    assert back["rate down"].better is False
    assert "worse" in back["loss"].words


def test_what_nobody_notices_is_no_change_however_sure() -> None:
    # Seen before: "worse by 0.2 to 0.4 ms".
    found = by_figure(KITCHEN, replace(KITCHEN, p50_s=(KITCHEN.p50_s or 0) + 0.0003))["round trip"]
    assert found.better is None
    assert "no more than two visits differ by" in found.words


def a_walk(dice: np.random.Generator, name: str, *, visits_differ: bool) -> list[RoomResult]:
    """Eight rooms; packets drawn one by one, and where visits differ, what they are drawn from too."""
    out = []
    for number in range(8):
        trip = 0.003 + 0.002 * number
        loss, rate = 0.002 * number, (95 - 10 * number) * 1e6
        if visits_differ:
            trip *= float(np.exp(0.1 * dice.standard_normal()))
            trip += 0.0007 * abs(float(dice.standard_normal()))
            loss *= float(dice.gamma(2.0, 0.5))
            rate *= float(np.exp(0.12 * dice.standard_normal()))
        trips = np.sort(trip + dice.exponential(0.001, 300))
        lost = int(dice.binomial(100, min(1.0, loss)) * 3)
        out.append(
            replace(
                KITCHEN,
                walk=name,
                room=f"room {number}",
                lost=lost,
                p50_s=float(np.median(trips)),
                p50_low_s=float(trips[132]),
                p50_high_s=float(trips[167]),
                down_bps=rate,
                up_bps=rate / 4,
            )
        )
    return out


@pytest.mark.parametrize("visits_differ", [False, True])
def test_two_walks_without_a_change_show_none(visits_differ: bool) -> None:
    # Seen before: 100 % of walks with a false better or worse; 32 % with packets that are independent.
    dice = np.random.default_rng(7)
    false = 0
    for _ in range(200):
        walks = [a_walk(dice, name, visits_differ=visits_differ) for name in ("one", "two")]
        false += any(c.better is not None for c in changes(*walks))
    assert false / 200 <= 0.06


def test_one_room_that_changed_is_found_among_eight() -> None:
    dice = np.random.default_rng(8)
    found = 0
    for _ in range(50):
        before, after = (a_walk(dice, name, visits_differ=True) for name in ("one", "two"))
        after[2] = replace(after[2], p50_s=0.035, down_bps=20e6, lost=75)
        told = [c for c in changes(before, after) if c.better is False]
        found += {c.figure for c in told if c.room == "room 2"} >= {"loss", "round trip", "rate down"}
    assert found >= 45


def test_visits_of_one_walk_tell_what_visits_differ_by() -> None:
    dice = np.random.default_rng(9)
    visits = [
        replace(KITCHEN, at_ns=n * 10**9, down_bps=float(90e6 * np.exp(0.6 * dice.standard_normal())))
        for n in range(30)
    ]
    before, after = replace(KITCHEN, down_bps=90e6), replace(KITCHEN, down_bps=30e6)
    alone, taught = (
        next(c for c in changes([before], [after], seen) if c.figure == "rate down") for seen in ((), visits)
    )
    assert alone.better is False
    assert taught.better is None


def test_rooms_and_figures_that_only_one_walk_has_are_not_compared() -> None:
    assert changes([KITCHEN], [replace(KITCHEN, room="attic")]) == ()
    dead = replace(KITCHEN, lost=300, p50_s=None, p50_low_s=None, p50_high_s=None, down_bps=None, up_bps=None)
    assert [c.figure for c in changes([KITCHEN], [dead])] == ["loss"]
    assert changes([KITCHEN], [replace(dead, sent=0, lost=0)]) == ()
