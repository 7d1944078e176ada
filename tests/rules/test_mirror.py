"""The rules of the house that imports cannot show."""

from pathlib import Path

TOP = Path(__file__).parents[2]
SOURCE = TOP / "agent" / "whichhop"
FILES = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml"}
FOLDERS = {"agent", "configs", "deploy", "shared", "tests"}


def modules() -> list[Path]:
    return [p for p in SOURCE.rglob("*.py") if p.name not in ("__init__.py", "__main__.py")]


def test_no_module_is_longer_than_four_hundred_lines() -> None:
    long = {str(p.relative_to(TOP)): n for p in modules() if (n := len(p.read_text().splitlines())) > 400}
    assert not long


def test_every_module_opens_with_one_sentence_of_purpose() -> None:
    bad = [str(p.relative_to(TOP)) for p in SOURCE.rglob("*.py") if not p.read_text().startswith('"""')]
    assert not bad


def test_the_top_level_is_the_fixed_one() -> None:
    found = {p.name for p in TOP.iterdir() if not p.name.startswith(".")}
    assert found - {"dist"} <= FILES | FOLDERS


def test_every_unit_test_belongs_to_a_room() -> None:
    # The labelled suite, the paper home and the tests' own equipment are programs beside the tests.
    orphans = [
        str(test.relative_to(TOP))
        for test in (TOP / "tests" / "unit").rglob("test_*.py")
        if not any(
            (root / test.parent.relative_to(TOP / "tests" / "unit")).is_dir()
            for root in (SOURCE, TOP / "tests")
        )
    ]
    assert not orphans
