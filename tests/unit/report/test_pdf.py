"""The report on paper, read back by poppler: page one holds the answer, and any text is set as it is."""

import re
import subprocess
from pathlib import Path

import pytest
from msgspec.structs import replace

from support.dossiers import dossier
from support.need import need_program
from whichhop.report.pdf import pdf

pytestmark = pytest.mark.slow


def text_of(data: bytes, folder: Path, page: int) -> str:
    path = folder / "r.pdf"
    path.write_bytes(data)
    words = [need_program("pdftotext"), "-layout", "-f", str(page), "-l", str(page), str(path), "-"]
    return subprocess.run(words, capture_output=True, text=True, check=True).stdout


def test_page_one_holds_claim_times_and_the_homes_side(tmp_path: Path) -> None:
    first = text_of(pdf(dossier()), tmp_path, 1)
    for words in (
        "the access line",
        "95 % confidence interval",
        "The same in UTC",
        "Inside the home, at the same moments",
        "We kindly ask you",
    ):
        assert words in first.replace("\u00a0", " ")


def test_the_same_dossier_gives_the_same_paper() -> None:
    assert pdf(dossier()) == pdf(dossier())


def test_markup_in_a_name_is_set_as_text(tmp_path: Path) -> None:
    name = 'A "#panic()" $x$ \\ house'
    home = replace(dossier().home, name=name)
    assert name in text_of(pdf(replace(dossier(), home=home)), tmp_path, 1)


def test_short_columns_of_a_table_do_not_run_into_their_neighbours(tmp_path: Path) -> None:
    # Seen: "LastedCause" as a table's heads, and "0.15 %27,900" in its cells.
    paper = pdf(dossier())
    (tmp_path / "r.pdf").write_bytes(paper)
    words = [need_program("pdftotext"), "-bbox", str(tmp_path / "r.pdf"), "-"]
    boxes = subprocess.run(words, capture_output=True, text=True, check=True).stdout
    found = re.findall(r'xMin="([\d.]+)" yMin="([\d.]+)" xMax="([\d.]+)" yMax="[\d.]+">Lasted<', boxes)
    assert found
    for left, top, right in found:
        beside = [
            float(x)
            for x, y in re.findall(r'<word xMin="([\d.]+)" yMin="([\d.]+)"', boxes)
            if y == top and float(x) > float(left)
        ]
        assert min(beside) - float(right) > 4
