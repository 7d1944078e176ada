"""Constants at other values: every line of the list is one, and only the named value changes."""

from pathlib import Path
from typing import Any

import pytest

import suite
import whichhop.compare
from suite.tries import read_tries, rewritten

LIST = Path(suite.__file__).with_name("seeds") / "tries.txt"
ROOM = Path(whichhop.compare.__file__).parent
CODE = """
PAIR = (1, 2)
LOW, HIGH = 3, 4
TWICE = 2 * HIGH
class Settings:
    share: float = 0.5
    ticks: int = 7
"""


def test_every_value_of_the_list_replaces_one_that_is_there() -> None:
    tries = read_tries(LIST)
    assert tries
    for one in tries:
        code = (ROOM / one.module.replace(".", "/")).with_suffix(".py").read_text()
        for value in one.values:
            compile(rewritten(code, one.name, value), one.module, "exec")


@pytest.mark.parametrize(
    ("name", "value", "changed"),
    [
        ("PAIR", "(8, 9)", {"PAIR": (8, 9)}),
        ("HIGH", "40", {"HIGH": 40, "TWICE": 80}),
        ("Settings.share", "0.25", {"share": 0.25}),
    ],
)
def test_what_follows_from_a_value_changes_with_it_and_nothing_else(
    name: str, value: str, changed: dict[str, Any]
) -> None:
    names: dict[str, Any] = {}
    exec(compile(rewritten(CODE, name, value), "code", "exec"), names)
    found = {k: names[k] for k in ("PAIR", "LOW", "HIGH", "TWICE")}
    found |= {k: getattr(names["Settings"], k) for k in ("share", "ticks")}
    usual = {"PAIR": (1, 2), "LOW": 3, "HIGH": 4, "TWICE": 8, "share": 0.5, "ticks": 7}
    assert found == usual | changed


def test_a_name_that_is_not_there_is_refused() -> None:
    with pytest.raises(KeyError):
        rewritten(CODE, "MISSING", "1")


def test_a_line_without_values_is_named(tmp_path: Path) -> None:
    path = tmp_path / "tries.txt"
    path.write_text("# remark\ninference.filter TINY\n")
    with pytest.raises(ValueError, match=r"tries\.txt:2"):
        read_tries(path)
