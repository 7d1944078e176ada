"""`whichhop measures` on recorded samples: the rows as text and as data, and what it refuses."""

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from whichhop.cli import main
from whichhop.cli.measuring.measures import number, session_of
from whichhop.errors import DataError
from whichhop.lab.demo.run import recorded_folder
from whichhop.lab.standard_home import HOME_FILE
from whichhop.model import Fate, Method, Record, SessionKey
from whichhop.store.files import read_file

pytestmark = pytest.mark.slow


@pytest.fixture
def words(tmp_path: Path) -> list[str]:
    home = tmp_path / "alder.yaml"
    home.write_text(HOME_FILE)
    records = tmp_path / "records"
    records.mkdir()
    shutil.copy(recorded_folder() / "backhaul.jsonl.gz", records)
    return ["measures", str(home), "--records", str(records)]


def test_a_lab_records_figures_are_numpys_over_the_same_samples(
    words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([*words, "--session", "desk:attic:stamp", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    rows = {row["name"]: row for row in data["measures"]}
    kept = [
        sample
        for r in read_file(tmp_path / "records" / "backhaul.jsonl.gz")
        if isinstance(r, Record) and str(r.session) == "desk>attic:stamp"
        for sample in r.samples
    ]
    trips = [s.rtt_ns / 1e9 for s in kept if s.fate is Fate.ANSWERED and s.rtt_ns is not None]
    assert len(trips) == len(kept) == data["packets"]
    assert rows["round-trip-50"]["value"] == pytest.approx(np.median(trips))
    assert rows["round-trip-95"]["value"] == pytest.approx(np.quantile(trips, 0.95, method="inverted_cdf"))
    assert rows["ipdv-round-trip-mean"]["value"] == pytest.approx(np.abs(np.diff(trips)).mean())
    # desk and attic of the emulated home share this machine's clock: no drift, no step, for all their jitter
    assert rows["skew"]["low"] - 1 < 0 < rows["skew"]["high"] + 1
    assert rows["steps"]["value"] == 0


def test_as_text_each_row_names_its_standard_and_its_stamps(
    words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([*words, "--session", "desk>attic:stamp"]) == 0
    text = capsys.readouterr().out
    for piece in ("RFC 2681 4.2", "RFC 3550 6.4.1", "RFC 5481 4.2", "RFC 7680 4.1", "RFC 3611 4.7.2"):
        assert piece in text
    assert "variation, out (kernel T1 T2" in text
    assert "median, out: withheld, a clock's error against UTC was not known in 3 of 3 min" in text


def test_without_a_session_each_gets_a_line(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].split()[0] == "session"
    assert any(line.startswith("desk>attic:stamp") and "kernel T1 T2 T3 T4" in line for line in lines)
    assert main([*words, "--json"]) == 0
    assert len(json.loads(capsys.readouterr().out)) == len(lines) - 1


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (["--session", "desk:attic"], "write agent, target and method"),
        (["--session", "desk:attic:ping"], "no method 'ping'"),
        (["--session", "desk:nobody:stamp"], "sessions with records: attic>desk:stamp"),
        (["--offline"], "exclude each other"),
        (["--from", "2026-03-02", "--to", "2026-03-01"], "swap them"),
        (["--to", "2020-01-01T00:00Z"], "nothing is kept of that time"),
    ],
)
def test_what_cannot_be_told_is_one_line_with_exit_code_two(
    words: list[str], more: list[str], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([*words, *more]) == 2
    err = capsys.readouterr().err
    assert told in err
    assert len(err.strip().splitlines()) == 1


def test_a_session_may_be_written_either_way() -> None:
    key = SessionKey(agent="desk", target="attic", method=Method.TCP)
    assert session_of("desk:attic:tcp-connect") == session_of(str(key)) == key
    with pytest.raises(DataError):
        session_of("::stamp")


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.00421, "s", "4.210 ms"),
        (17.0, "s", "17.0 s"),
        (0.0309, "ratio", "3.09 %"),
        (-0.04, "ppm", "-0.04 ppm"),
        (3.0, "packets", "3"),
        (93.2, "score", "93.20"),
        (None, "s", "-"),
    ],
)
def test_a_figure_reads_as_a_person_says_it(value: float | None, unit: str, text: str) -> None:
    assert number(value, unit) == text
