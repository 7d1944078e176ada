"""Every published check value is reproduced; sources stand in each row of tests/data/check_values.json."""

import math
from typing import Any

import pytest

from support import check_table
from support.check_measures import MEASURES

ROWS = check_table.rows()
INFINITE = "inf"


def same(found: Any, expected: Any, within: float, where: str = "") -> None:
    """Fails naming the place; of a dict only the expected names are compared."""
    if isinstance(expected, dict):
        for name, value in expected.items():
            same(found[name], value, within, f"{where}.{name}")
    elif isinstance(expected, list):
        assert len(found) == len(expected), f"{where}: {list(found)}"
        for i, value in enumerate(expected):
            same(found[i], value, within, f"{where}[{i}]")
    elif expected == INFINITE:
        assert math.isinf(found), f"{where}: {found}"
    elif expected is None or isinstance(expected, str):
        assert found == expected, f"{where}: {found}"
    else:
        # one part in 1e12 lets an "exact" binary fraction through decimal JSON
        assert abs(found - expected) <= within + abs(expected) * 1e-12, f"{where}: {found}, not {expected}"


@pytest.mark.parametrize("row", ROWS, ids=[r["id"] for r in ROWS])
def test_the_code_reproduces_the_published_value(row: dict[str, Any]) -> None:
    same(MEASURES[row["measure"]](**row["inputs"]), row["expected"], row["tolerance"], row["id"])


def test_a_wrong_value_does_not_pass() -> None:
    for found, expected in ((1.0, 2.0), ([1], [1, 2]), ({"a": 1}, {"a": 2}), (9.0, INFINITE), (1, None)):
        with pytest.raises(AssertionError):
            same(found, expected, 0.1)


def test_every_measure_has_a_row_and_every_row_a_measure() -> None:
    assert {row["measure"] for row in ROWS} == set(MEASURES)


def test_ids_are_unique_and_each_row_says_where_its_value_is_from() -> None:
    assert len({row["id"] for row in ROWS}) == len(ROWS)
    assert {row["provenance"] for row in ROWS} == set(check_table.PROVENANCE)
    assert all(row["source"] for row in ROWS)


def test_the_rendered_table_is_current() -> None:
    assert check_table.PAGE.read_text() == check_table.page(), (
        "run: PYTHONPATH=tests python -m support.check_table"
    )
