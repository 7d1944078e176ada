"""Cases: the same seed makes the same, truth lies inside the run, seeds that score are never tuned on."""

from functools import cache
from pathlib import Path

import pytest

import suite.__main__ as program
from suite.case import Case
from suite.recipes import ALREADY_WELL, FIRST, LATER, RECIPES, WELL, make_case
from suite.truth import columns
from whichhop.lab.scenario import Profile, QuirkKind
from whichhop.model import Cause, derive_sessions

SEEDS = Path(program.__file__).parent / "seeds"


@pytest.mark.parametrize("recipe", RECIPES)
def test_the_same_seed_makes_the_same_case(recipe: str) -> None:
    assert make_case(recipe, 3, 6) == make_case(recipe, 3, 6)
    assert make_case(recipe, 3, 24).scenario != make_case(recipe, 4, 24).scenario


@pytest.mark.parametrize("recipe", [r for r in RECIPES if r.endswith(WELL)])
def test_a_healthy_twin_is_the_same_home_measured_alike_with_nothing_scripted(recipe: str) -> None:
    ill, well = make_case(recipe.removesuffix(WELL), 2, 4), make_case(recipe, 2, 4)
    assert well.home == ill.home
    assert well.scenario.natures == ill.scenario.natures
    assert well.scenario.counters_each_s == ill.scenario.counters_each_s
    assert well.scenario.clocks_s == ill.scenario.clocks_s
    assert not well.scenario.faults
    assert not well.labels
    assert {q.kind for q in well.scenario.quirks} <= {QuirkKind.ABSENT}


@cache
def _later(recipe: str) -> tuple[Case, ...]:
    return tuple(make_case(recipe, seed) for seed in range(1, 13))


@pytest.mark.parametrize("recipe", LATER)
def test_every_later_recipe_puts_something_into_most_homes(recipe: str) -> None:
    filled = sum(bool(c.scenario.faults or c.scenario.quirks) for c in _later(recipe))
    assert filled >= (0 if recipe in ALREADY_WELL else 6)


def test_what_was_there_from_the_first_packet_is_labelled_from_the_first_packet() -> None:
    for seed in range(1, 9):
        case = make_case("standing", seed)
        assert all(f.at_s <= 0 or f.cause is Cause.WIRELESS_HOP for f in case.scenario.faults)
        assert [x.start_s for x in case.labels] == [0.0]
        assert case.warm_up_s == 0.0


@cache
def _cases() -> tuple[Case, ...]:
    return tuple(make_case(recipe, seed, 12) for recipe in FIRST for seed in range(1, 10))


def test_every_label_names_an_element_that_the_home_has_and_some_session_crosses() -> None:
    for case in (*_cases(), *(case for recipe in LATER for case in _later(recipe)[:6])):
        known = columns(case.scenario, derive_sessions(case.scenario.home))
        for label in case.labels:
            assert 0 <= label.start_s < label.end_s <= case.scenario.seconds
            assert label.element in known or label.harmless, (case.name, label)


def test_every_scripted_fault_lies_inside_a_label_of_its_element() -> None:
    for case in _cases():
        for fault in case.scenario.faults:
            if fault.at_s >= case.scenario.seconds:
                continue
            assert any(
                x.start_s - 1e-6 <= fault.at_s <= x.end_s and fault.element in {x.element, *x.accept}
                for x in case.labels
            ), (case.name, fault)


def test_all_causes_and_rhythms_come_up() -> None:
    cases = _cases()
    assert len({x.cause for c in cases for x in c.labels}) >= 10
    rhythms = {x.rhythm for c in cases for x in c.labels}
    assert {"steady", "20 s bursts", "flapping", "evening", "short"} <= rhythms


def test_scoring_seeds_and_development_seeds_have_none_in_common() -> None:
    development = set(program.read_seeds(SEEDS / "development.txt"))
    scoring = set(program.read_seeds(SEEDS / "scoring.txt"))
    assert development
    assert scoring
    assert not development & scoring
    assert not {c.seed for c in development} & {c.seed for c in scoring}


def test_scoring_seeds_of_the_later_recipes_are_kept_apart_too() -> None:
    development = program.read_seeds(SEEDS / "situations-development.txt")
    scoring = program.read_seeds(program.SITUATIONS)
    assert {c.recipe.removesuffix(WELL) for c in scoring} == set(LATER)
    assert not {c.seed for c in development} & {c.seed for c in scoring}
    # Measured noise has a share of the seeds of its own.
    assert sum(c.noise is Profile.MEASURED for c in scoring) >= len(scoring) / 5


def test_the_scoring_seeds_hold_two_thousand_home_side_faults() -> None:
    # Counted on a tenth of the cases, as drawing scripts only is cheap but not free.
    seeds = [c.seed for c in program.read_seeds(SEEDS / "scoring.txt") if c.recipe == "home-side"]
    some = seeds[::10]
    found = sum(len(make_case("home-side", s).labels) for s in some)
    assert found / len(some) * len(seeds) >= 2200


def test_a_bad_line_of_seeds_is_named(tmp_path: Path) -> None:
    path = tmp_path / "bad.txt"
    path.write_text("mixed 1\nnonsense 4\n")
    with pytest.raises(ValueError, match=r"bad\.txt:2"):
        program.read_seeds(path)


def test_the_seeds_about_the_provider_hold_ten_thousand_faults_and_hours() -> None:
    # Faults counted on one case in forty, as drawing scripts only is cheap but not free.
    cases = program.read_seeds(SEEDS / "provider.txt")
    ill = [c for c in cases if c.recipe == "other-home-side"]
    some = ill[::40]
    found = sum(len(make_case(c.recipe, c.seed).labels) for c in some)
    assert found / len(some) * len(ill) >= 10_000
    assert sum(RECIPES[c.recipe].hours for c in cases if c.recipe != "other-home-side") >= 10_000


def test_what_nothing_could_show_beneath_an_outage_is_asked_of_nobody() -> None:
    """A home whose router is out uses no line: by the path of packets, no source needed."""
    case = make_case("double", 90024)
    found = [x for x in case.labels if x.element == "own-traffic" and round(x.start_s) == 35369]
    assert [x.harmless for x in found] == [True]
    out = next(f for f in case.scenario.faults if round(f.at_s) == 35362)
    assert (out.element, out.effect.outage) == ("node:router", True)
    assert not any(x.harmless for x in case.labels if x.element == out.element)
    # What shows before or after is still asked for, however little; and short outages by themselves are.
    assert sum(not x.harmless for x in case.labels) == len(case.labels) - 1
    assert not any(x.harmless for seed in (1, 2, 3) for x in make_case("outages", seed).labels)
