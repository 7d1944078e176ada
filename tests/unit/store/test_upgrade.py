"""A store written by 0.1.0 keeps every record when a newer whichhop opens it.

tests/data/upgrade holds such a store (its first layout, version 1) and what 0.1.0 itself exported of it; both
were made by the program of that time, from the project's history.
"""

import gzip
import io
import json
import shutil
import sqlite3
from pathlib import Path

import pytest

from whichhop.cli import main
from whichhop.model import Method, Reading, SessionKey
from whichhop.store.db import MIGRATIONS
from whichhop.store.store import Store

OLD = Path(__file__).parents[2] / "data" / "upgrade"


@pytest.fixture
def old(tmp_path: Path) -> Path:
    path = tmp_path / "desk.db"
    with gzip.open(OLD / "store-0.1.0.db.gz") as packed, path.open("wb") as file:
        shutil.copyfileobj(packed, file)
    return path


def version(path: Path) -> int:
    with sqlite3.connect(path) as db:
        return int(db.execute("PRAGMA user_version").fetchone()[0])


def test_every_record_and_reading_is_there_as_0_1_0_exported_it(
    old: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert version(old) == 1
    Store.open(old).close()
    assert version(old) == len(MIGRATIONS) > 1
    assert main(["records", "export", "--store", str(old)]) == 0
    now = [json.loads(line) for line in io.StringIO(capsys.readouterr().out)]
    with gzip.open(OLD / "store-0.1.0.jsonl.gz", "rt") as file:
        then = [json.loads(line) for line in file]
    assert len(then) == 204 + 816 + 68
    # A later version may tell more of a line; what was told then it must tell still.
    assert [{k: line.get(k) for k in before} for line, before in zip(now, then, strict=True)] == then


def test_its_chain_is_whole_and_grows_on(old: Path) -> None:
    with Store.open(old) as store:
        (report,) = store.verify()
        assert (report.agent, report.records, report.trouble) == ("desk", 204, "")
        key = SessionKey(agent="desk", target="router", method=Method.ECHO)
        assert key in store.sessions()
        newest = next(iter(store.session_records(key)))
        store.append_all([], [Reading(at_ns=newest.minute * 60 * 10**9, agent="desk", name="new", value=1.0)])
        assert store.verify()[0].trouble == ""


def test_a_verb_that_only_reads_says_who_brings_it_up_to_date(
    old: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = old.read_bytes()
    assert main(["records", "verify", "--store", str(old)]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert "start whichhop run once" in line
    assert old.read_bytes() == before
