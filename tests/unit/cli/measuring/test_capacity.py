"""`whichhop capacity` on a fortnight of transfers: the plan by hour of the day, and what is missing."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from scipy.stats import beta

from whichhop.cli import main
from whichhop.lab.standard_home import HOME_FILE
from whichhop.model import Reading
from whichhop.store.store import Store

pytestmark = pytest.mark.slow

FIRST = datetime(2026, 3, 1, tzinfo=UTC)
DAYS = 14
EVENING = (18, 21)
TEXT = HOME_FILE + "zone: Etc/UTC\n"


def transfer(at: datetime, way: str, mbps: float, other_end: str = "harbour") -> list[Reading]:
    about = {"at_ns": int(at.timestamp()) * 10**9, "agent": "study"}
    return [
        Reading(name=f"transfer_{way}_rate_bps:{other_end}", value=mbps * 1e6, **about),
        Reading(name=f"transfer_{way}_at_least:{other_end}", value=0.0, **about),
    ]


def fortnight(step_hours: int) -> list[Reading]:
    """Down 93 of 100 Mbit/s but 40 in the evening, up 18.8 of 20 Mbit/s, every so many hours."""
    out = []
    for hour in range(0, DAYS * 24, step_hours):
        at = FIRST + timedelta(hours=hour, minutes=7)
        slow = EVENING[0] <= at.hour < EVENING[1]
        out += transfer(at, "back", 40.0 if slow else 93.0) + transfer(at, "out", 18.8)
    return out


@pytest.fixture
def home(tmp_path: Path) -> Path:
    (tmp_path / "alder.yaml").write_text(TEXT)
    return tmp_path


def words(home: Path, readings: list[Reading], *more: str) -> list[str]:
    with Store.make(home / "collected.db") as store:
        store.append_all([], readings)
    return ["capacity", str(home / "alder.yaml"), "--offline", "--store", str(home / "collected.db"), *more]


def test_an_evening_in_which_the_plan_is_missed_is_named_with_a_fair_interval(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(words(home, fortnight(3), "--hours", "3")) == 0
    text = capsys.readouterr().out
    assert "100 Mbit/s down is not delivered from 18:00 to 21:00 of the home's day: 0 of 14 tests" in text
    # Fourteen good afternoons are no proof that nine in ten are; fourteen bad evenings say enough.
    assert "100 Mbit/s down may or may not be delivered from 15:00 to 18:00 of the home's day" in text
    assert "20 Mbit/s up is delivered: 112 of 112 tests on 14 days" in text


def test_the_interval_of_one_test_a_day_is_that_of_a_flat_prior(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """How alike the tests of a day are says nothing of one a day: Bayes's rule with a flat prior is left."""
    assert main(words(home, fortnight(3), "--hours", "3", "--json")) == 0
    parts = json.loads(capsys.readouterr().out)["plan"]["down"]
    (evening,) = (p for p in parts if p["first_hour"] == 18 and p["last_hour"] == 20)
    reference = beta(1, 15)  # scipy: 0 of 14
    within = 1 / 400  # the grid of stats.clustered_share
    assert evening["share"]["low"] == pytest.approx(reference.ppf(0.025), abs=within)
    assert evening["share"]["high"] == pytest.approx(reference.ppf(0.975), abs=within)
    assert evening["answer"] == "not-delivered"


def test_parts_are_as_short_as_there_are_tests_for_or_as_asked(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(words(home, fortnight(1), "--json")) == 0
    hourly = json.loads(capsys.readouterr().out)["plan"]["down"]
    assert [p["first_hour"] for p in hourly[1:]] == list(range(24))
    missed = {p["first_hour"] for p in hourly[1:] if p["answer"] == "not-delivered"}
    assert missed == {18, 19, 20}
    assert main(words(home, [], "--hours", "12", "--json")) == 0
    asked = json.loads(capsys.readouterr().out)["plan"]["down"]
    assert [(p["first_hour"], p["last_hour"]) for p in asked[1:]] == [(0, 11), (12, 23)]


def test_without_a_transfer_it_says_how_to_make_one(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words(home, [])) == 2
    assert "whichhop transfer HOME A B" in capsys.readouterr().err
