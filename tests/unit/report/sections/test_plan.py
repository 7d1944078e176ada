"""The plan in the report: what unhindered tests reached, and what is asked of the provider."""

import pytest
from msgspec.structs import replace

from support.dossiers import dossier
from whichhop.app.reported.dossier import plan_rows
from whichhop.lab.standard_home import alder_home
from whichhop.model import Home, Plan, Reading
from whichhop.model.dossier import Dossier, PlanRow
from whichhop.model.units import NS_PER_S
from whichhop.report.blocks import Grid, Notice, Para
from whichhop.report.checks import checks
from whichhop.report.figures_csv import figures_csv
from whichhop.report.html import page
from whichhop.report.sections.answer import answer
from whichhop.report.sections.numbers import numbers
from whichhop.report.standing import plan_is_missed

DAY = 86_400 * NS_PER_S
DAYS = 21


def home() -> Home:
    return replace(alder_home(), plan=Plan(down_bps=100_000_000, up_bps=20_000_000))


def line_tests(rate_bps: float, days: int = DAYS, agent: str = "study") -> list[Reading]:
    """One download a day; the study's own link to the router was seen to carry 930 Mbit/s."""
    return [
        reading
        for n in range(days)
        for reading in (
            Reading(at_ns=n * DAY + 1, agent=agent, name="transfer_back_rate_bps:downloads", value=rate_bps),
            Reading(at_ns=n * DAY + 7, agent="study", name="transfer_back_rate_bps:router", value=930e6),
        )
    ]


def with_plan(rows: tuple[PlanRow, ...], *, claim: bool = True) -> Dossier:
    made = dossier()
    return replace(made, plan=rows) if claim else replace(made, plan=rows, claim=None, episodes=())


def test_a_plan_that_every_test_contradicts_opens_the_report_and_is_asked_for() -> None:
    rows = plan_rows(home(), line_tests(40e6), "Europe/Lisbon")
    (down,) = rows
    assert (down.way, down.tests, down.reached, down.days, down.missed) == ("down", DAYS, 0, DAYS, True)
    assert down.median_bps == pytest.approx(40e6)
    assert down.high < 0.5
    first, *_ = answer(with_plan(rows)).blocks
    assert isinstance(first, Notice)
    assert "not delivered" in first.text
    assert "Ruled out" in first.text
    asked = [b.text for b in answer(with_plan(rows)).blocks if isinstance(b, Para)]
    assert any("deliver the rate of the plan" in text for text in asked)
    assert "not delivered" in page(with_plan(rows))


def test_without_an_episode_the_report_does_not_say_that_nobody_is_held_to_anything() -> None:
    rows = plan_rows(home(), line_tests(40e6), "UTC")
    said = " ".join(b.text for b in answer(with_plan(rows, claim=False)).blocks if isinstance(b, Notice))
    assert "Nobody is held to anything" not in said
    assert "not delivered" in said


def test_a_delivered_plan_and_one_of_which_little_is_known_claim_nothing() -> None:
    for rows in (
        plan_rows(home(), line_tests(94e6), "UTC"),
        plan_rows(home(), line_tests(40e6, days=1), "UTC"),
    ):
        made = with_plan(rows)
        assert not plan_is_missed(made)
        assert isinstance(answer(made).blocks[0], Notice)
        assert not any("deliver the rate" in b.text for b in answer(made).blocks if isinstance(b, Para))
        grids = [b for b in numbers(made).blocks if isinstance(b, Grid) and "plan" in b.caption]
        assert len(grids) == 1  # the figures are told all the same


def test_a_home_without_a_plan_or_without_a_test_has_no_such_table() -> None:
    assert plan_rows(replace(alder_home(), plan=None), line_tests(40e6), "UTC") == ()
    assert plan_rows(home(), [], "UTC") == ()
    assert not any(isinstance(b, Grid) and "plan" in b.caption for b in numbers(with_plan(())).blocks)


def test_a_test_through_a_hop_of_which_nothing_is_known_says_nothing_against_the_line() -> None:
    (down,) = plan_rows(home(), line_tests(40e6, agent="desk"), "UTC")
    assert (down.tests, down.left_out, down.missed) == (0, DAYS, False)
    assert "cannot be judged" in down.words


def test_a_changed_figure_of_the_plan_is_found_and_csv_has_them() -> None:
    made = with_plan(plan_rows(home(), line_tests(40e6), "UTC"))
    assert all(c.holds for c in checks(made, made))
    (row,) = made.plan
    forged = replace(made, plan=(replace(row, reached=DAYS, missed=False),))
    assert [c.name for c in checks(forged, made) if not c.holds] == ["plan down"]
    assert [c.name for c in checks(replace(made, plan=()), made) if not c.holds] == ["plan down"]
    assert f"plan,down,median-rate,40000000.0,,,bit/s,{DAYS}" in figures_csv(made)
