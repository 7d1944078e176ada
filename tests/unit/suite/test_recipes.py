"""Cases: the same seed makes the same, truth lies inside the run, seeds that score are never tuned on."""

from pathlib import Path

import pytest

import suite.__main__ as program
from suite.case import Case
from suite.recipes import RECIPES, make_case
from suite.truth import columns
from whichhop.model import derive_sessions

SEEDS = Path(program.__file__).parent / "seeds"


@pytest.mark.parametrize("recipe", RECIPES)
def test_the_same_seed_makes_the_same_case(recipe: str) -> None:
    assert make_case(recipe, 3, 6) == make_case(recipe, 3, 6)
    if recipe != "healthy":
        assert make_case(recipe, 3, 24).labels != make_case(recipe, 4, 24).labels


def _cases() -> list[Case]:
    return [make_case(recipe, seed, 12) for recipe in RECIPES for seed in range(1, 10)]


def test_every_label_names_an_element_that_the_home_has_and_some_session_crosses() -> None:
    for case in _cases():
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
    assert not {seed for _, seed in development} & {seed for _, seed in scoring}


def test_the_scoring_seeds_hold_two_thousand_home_side_faults() -> None:
    # Counted on a tenth of the cases, as drawing scripts only is cheap but not free.
    seeds = [s for r, s in program.read_seeds(SEEDS / "scoring.txt") if r == "home-side"]
    some = seeds[::10]
    found = sum(len(make_case("home-side", s).labels) for s in some)
    assert found / len(some) * len(seeds) >= 2200


def test_a_bad_line_of_seeds_is_named(tmp_path: Path) -> None:
    path = tmp_path / "bad.txt"
    path.write_text("mixed 1\nnonsense 4\n")
    with pytest.raises(ValueError, match=r"bad\.txt:2"):
        program.read_seeds(path)
