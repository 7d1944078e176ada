"""The figures as CSV open safely in a spreadsheet: no cell of text begins as a formula does."""

import csv
import io

import pytest
from msgspec.structs import replace

from support.dossiers import dossier
from whichhop.report.figures_csv import figures_csv

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("name", ["=1+1", "+HYPERLINK(1)", "-2", "@SUM(A1)", "\t=1", "\r=1"])
def test_a_name_that_looks_like_a_formula_is_shown_not_run(name: str) -> None:
    said = dossier()
    rows = tuple(replace(r, session=f"{name}>router:stamp") for r in said.sessions)
    cells = [c for row in csv.reader(io.StringIO(figures_csv(replace(said, sessions=rows)))) for c in row]
    dangerous = [c for c in cells if c[:1] in ("=", "+", "@", "\t", "\r")]
    assert not dangerous
    assert f"'{name}>router:stamp" in cells


def test_numbers_below_zero_stay_numbers() -> None:
    said = dossier()
    claim = said.claim
    assert claim is not None
    figures = tuple(replace(f, value=-0.5) for f in claim.figures)
    rows = csv.DictReader(io.StringIO(figures_csv(replace(said, claim=replace(claim, figures=figures)))))
    values = [float(r["value"]) for r in rows if r["part"] == "claim" and r["name"] == figures[0].name]
    assert values == [-0.5]
