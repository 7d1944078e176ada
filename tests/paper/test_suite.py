"""A small run of the labelled suite as a gate: right causes, no false accusation, few false alarms.

Seeds are development seeds, as a gate is looked at daily; the figures that count come from `tests/run suite`.
"""

import pytest

from suite.play import WHICHHOP, play
from suite.scoring import Score
from suite.summary import summarise

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def scores() -> list[Score]:
    cases = [("mixed", 1, 8), ("mixed", 3, 8), ("confusing", 3, 6), ("double", 1, 4), ("healthy", 4, 12)]
    return [s for recipe, seed, hours in cases for s in play(recipe, seed, hours)]


def test_the_comparer_names_the_right_cause(scores: list[Score]) -> None:
    figures = summarise([s for s in scores if s.method == WHICHHOP])
    assert figures["faults"] >= 30
    assert figures["exact"] >= 0.9
    assert figures["time_to_verdict_median_s"] <= 45


def test_the_comparer_never_accuses_the_provider_falsely(scores: list[Score]) -> None:
    figures = summarise([s for s in scores if s.method == WHICHHOP])
    assert figures["provider_accused_falsely"] == 0


def test_the_comparer_beats_every_simple_method(scores: list[Score]) -> None:
    own = summarise([s for s in scores if s.method == WHICHHOP])
    for method in {s.method for s in scores} - {WHICHHOP}:
        other = summarise([s for s in scores if s.method == method])
        assert own["exact"] >= other["exact"], method
