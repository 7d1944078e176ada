"""`whichhop evidence` on recorded samples: what is written, what is refused, and that names can be hidden."""

import csv
import json
import re
import shutil
from pathlib import Path
from xml.etree import ElementTree

import pytest

from whichhop.cli import main
from whichhop.config.keys import create_key
from whichhop.lab.demo.run import recorded_folder
from whichhop.lab.standard_home import HOME_FILE
from whichhop.model.figure_words import TOO_LITTLE_YET

pytestmark = pytest.mark.slow


def home_file(folder: Path, *, key: bool = True) -> Path:
    path = folder / "alder.yaml"
    path.write_text(HOME_FILE.replace("home: Alder House", "home: Alder House\nzone: Europe/Lisbon"))
    if key:
        create_key(folder / "alder.key")
    return path


def recorded(folder: Path, story: str) -> Path:
    records = folder / "records"
    records.mkdir()
    shutil.copy(recorded_folder() / f"{story}.jsonl.gz", records)
    return records


def words(folder: Path, story: str, *more: str, key: bool = True) -> list[str]:
    home = home_file(folder, key=key)
    return ["evidence", str(home), "--records", str(recorded(folder, story)), *more]


def test_a_fault_of_the_line_is_written_in_every_form(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    names = {form: tmp_path / f"r.{form}" for form in ("html", "pdf", "csv", "json")}
    options = [w for form, path in names.items() for w in (f"--{form}", str(path))]
    assert main(words(tmp_path, "upstream-link", *options)) == 0
    assert "The fault lies in the access line" in capsys.readouterr().out
    page = names["html"].read_text()
    assert "the link modem to provider-edge" in page
    assert "Europe/Lisbon" in page
    assert names["pdf"].read_bytes().startswith(b"%PDF")
    rows = list(csv.DictReader(names["csv"].read_text().splitlines()))
    data = json.loads(names["json"].read_text())
    loss = next(f for f in data["claim"]["figures"] if f["name"] == "line-loss")
    row = next(r for r in rows if r["name"] == "line-loss")
    assert float(row["value"]) == loss["value"]
    assert float(row["high"]) == loss["high"]


def test_the_page_fetches_nothing_runs_nothing_and_its_drawings_are_well_formed(tmp_path: Path) -> None:
    path = tmp_path / "r.html"
    main(words(tmp_path, "upstream-link", "--html", str(path)))
    page = path.read_text()
    assert re.findall(r"<script([^>]*)>", page) == [' type="application/json" id="dossier"']
    assert not re.search(r"(?:src|href)\s*=|url\(|@import|\son\w+=", page)
    drawings = re.findall(r"<svg.*?</svg>", page, re.S)
    assert len(drawings) >= 2
    for drawing in drawings:
        root = ElementTree.fromstring(drawing)
        assert root.get("role") == "img"
        assert root.get("aria-label")


@pytest.mark.parametrize("story", ["backhaul", "none"])
def test_nothing_is_claimed_of_the_provider_when_it_is_not_at_fault(
    story: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "r.html"
    assert main(words(tmp_path, story, "--html", str(path))) == 1
    said = capsys.readouterr().out
    assert "Not the provider's fault" in said or TOO_LITTLE_YET.removesuffix(".") in said
    assert "We kindly ask you" not in path.read_text()


def test_thin_evidence_is_refused_and_the_report_says_what_to_collect(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    command = words(tmp_path, "upstream-link", "--html", str(tmp_path / "r.html"))
    home = Path(command[1])
    home.write_text(home.read_text().replace("\nplan: {down_mbps: 100, up_mbps: 20}", ""))
    assert main(command) == 1
    said = capsys.readouterr().out
    assert "Not enough evidence yet" in said or "cannot tell" in said or "point to" in said
    assert "Missing: " in said or "surer" in (tmp_path / "r.html").read_text()


def test_a_redacted_report_holds_no_true_name_or_address(tmp_path: Path) -> None:
    names = [tmp_path / "r.html", tmp_path / "r.csv", tmp_path / "r.json"]
    options = ["--html", str(names[0]), "--csv", str(names[1]), "--json", str(names[2]), "--redact"]
    assert main(words(tmp_path, "upstream-link", *options)) == 0
    for path in names:
        text = path.read_text()
        found = [w for w in ("Alder", "attic", "study", "harbour", "192.0.2.", "203.0.113.") if w in text]
        assert not found, path
        assert "host-1" in text


def test_without_a_key_the_report_says_that_it_is_not_signed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "r.html"
    assert main(words(tmp_path, "upstream-link", "--html", str(path), key=False)) == 0
    assert "not signed" in capsys.readouterr().err
    assert "not signed" in path.read_text()


@pytest.mark.parametrize(
    ("more", "text"),
    [
        (["--from", "2020-01-01T00:00Z", "--to", "2020-01-02T00:00Z"], "what is kept reaches from"),
        (["--time-request", "r.tsq"], "--html"),
        (["--offline"], "exclude each other"),
        (["--html", "/nowhere/r.html"], "cannot be written"),
    ],
)
def test_what_cannot_be_done_is_said_in_one_line(
    more: list[str], text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(words(tmp_path, "upstream-link", *more)) == 2
    last = capsys.readouterr().err.strip().splitlines()[-1]
    assert text in last
