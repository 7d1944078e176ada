import gzip
import io
import json
import random
import subprocess
import sys
from pathlib import Path

import pytest

from support.records import lifelike
from whichhop.cli import main
from whichhop.model import Method, Reading, SessionKey
from whichhop.store.files import read_file
from whichhop.store.store import Store

FIRST = 28_333_320
KEYS = [
    SessionKey(agent=a, target="router", method=m)
    for a, m in (("desk", Method.STAMP), ("attic", Method.ECHO))
]
RECORDS = [lifelike(random.Random(m), FIRST + m, key, loss=0.1) for m in range(70) for key in KEYS]
READINGS = [Reading(at_ns=FIRST * 60_000_000_000 + 1, agent="desk", name="wan_rx_bytes", value=0.1)]


@pytest.fixture
def store(tmp_path: Path) -> Path:
    with Store.open(tmp_path / "s.db") as one:
        one.append_all(RECORDS, READINGS)
        one.pack_hours(FIRST + 70)
    return tmp_path / "s.db"


def said(capsys: pytest.CaptureFixture[str], *words: str, code: int = 0) -> tuple[str, str]:
    assert main(["records", *words]) == code
    out, err = capsys.readouterr()
    return out, err


def test_what_is_exported_and_imported_is_the_same_to_the_last_bit(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines, copy = str(tmp_path / "a.jsonl"), str(tmp_path / "c.db")
    said(capsys, "export", "--store", str(store), "-o", lines)
    out, _ = said(capsys, "import", "--store", copy, lines, "--json")
    told = json.loads(out)
    assert {k: told[k] for k in ("records", "samples", "readings", "new")} == {
        "records": 140,
        "samples": 8400,
        "readings": 1,
        "new": 141,
    }
    assert json.loads(said(capsys, "import", "--store", copy, lines, "--json")[0])["new"] == 0
    with Store.open(store) as a, Store.open(copy) as b:
        assert a.sessions() == b.sessions()
        for key in KEYS:
            assert list(a.session_records(key)) == list(b.session_records(key))
        assert list(a.readings()) == list(b.readings()) == READINGS


def test_lines_flow_through_standard_output_and_input(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    out, err = said(capsys, "export", "--store", str(store), "--agent", "attic")
    assert "exported 70 records (4200 samples) and 0 readings" in err
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BufferedReader(io.BytesIO(out.encode()))))
    assert "70 records" in said(capsys, "import", "--store", str(tmp_path / "c.db"), "-")[0]


def test_a_span_is_cut_at_whole_minutes(store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # 28_333_320 minutes after the epoch is 2023-11-14T22:00Z (`date -u -d @1699999200`).
    span = ("--from", "2023-11-14T22:10Z", "--to", "2023-11-14T23:15:00+01:00")
    out, _ = said(capsys, "export", "--store", str(store), *span)
    minutes = {json.loads(line)["minute"] for line in out.splitlines() if line.startswith('{"minute"')}
    assert minutes == {f"2023-11-14T22:{m}:00Z" for m in range(10, 15)}


def test_one_bad_line_stores_nothing_of_its_file_and_is_named(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines, copy = tmp_path / "a.jsonl", tmp_path / "c.db"
    said(capsys, "export", "--store", str(store), "-o", str(lines))
    text = lines.read_text().splitlines()
    text[5000] = text[5000].replace('"method": ', '"methd": ')
    lines.write_text("\n".join(text))
    _, err = said(capsys, "import", "--store", str(copy), str(lines), code=2)
    assert err.startswith(f"{lines}:5001: methd: unknown key; did you mean method? ")
    assert err.count("\n") == 1
    with Store.open(copy) as empty:
        assert empty.span() is None


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["export", "--store", "{store}", "--from", "yesterday"], "--from yesterday: not a time"),
        (["export", "--store", "{store}", "--from", "2026-01-02", "--to", "2026-01-01"], "swap them"),
        (["export", "--store", "{store}", "--agent", "cellar"], "there are: attic, desk"),
        (["export", "--store", "{dir}/no.db"], "no such store"),
        (["import", "--store", "{dir}/c.db", "{dir}/no.jsonl"], "no.jsonl: cannot be read \\(No such file"),
        (["export", "--store", "{store}", "-o", "/dev/full"], "/dev/full: cannot be written .*No space"),
        (["import", "--store", "{dir}/c.db", "{store}"], "is a store and no records file; write one of it"),
    ],
)
def test_a_slip_is_one_line_and_exit_code_2(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], says: str
) -> None:
    import re

    filled = [w.format(store=store, dir=tmp_path) for w in words]
    _, err = said(capsys, *filled, code=2)
    assert re.search(says, err)
    assert err.count("\n") == 1


def test_verify_says_that_the_chain_holds_and_where_it_breaks(
    store: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, _ = said(capsys, "verify", "--store", str(store))
    assert out.count(": holds\n") == 2
    with Store.open(store) as one:
        one.db.execute("DELETE FROM minute WHERE minute = ?", (FIRST + 65,))
    rows = json.loads(said(capsys, "verify", "--store", str(store), "--json", code=1)[0])
    assert [row["fault"] for row in rows] == ["record 66 is missing", "record 66 is missing"]


def test_help_shows_an_example(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as done:
        main(["records", "--help"])
    assert done.value.code == 0
    assert "whichhop records export --store" in capsys.readouterr().out


def test_a_reader_that_has_had_enough_is_no_trouble(store: Path) -> None:
    whole = f"{sys.executable} -m whichhop records export --store {store} --quiet | head -n 2"
    done = subprocess.run(["sh", "-c", whole], capture_output=True, text=True, check=False)
    assert done.stdout.count("\n") == 2
    assert "Traceback" not in done.stderr


def test_an_export_never_writes_over_a_store_and_leaves_what_was_there_when_it_fails(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    held, old = store.read_bytes(), tmp_path / "old.jsonl"
    for place in (store, tmp_path / "link.db"):
        if place != store:
            place.symlink_to(store)
        _, err = said(capsys, "export", "--store", str(store), "-o", str(place), code=2)
        assert "name another file" in err
        assert store.read_bytes() == held
    old.write_text("kept")
    said(capsys, "export", "--store", str(store), "--agent", "nobody", "-o", str(old), code=2)
    assert old.read_text() == "kept"
    assert not [p for p in tmp_path.iterdir() if p.name.endswith(".new")]


@pytest.mark.parametrize("form", ["plain", "packed", "packed, named plain", "plain, named packed", "marked"])
def test_a_file_is_imported_whatever_its_name_says_of_its_packing(
    form: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Read back by gzip's own module (RFC 1952); a byte-order mark is what some editors put first."""
    lines = tmp_path / "a.jsonl"
    with Store.open(tmp_path / "s.db") as one:
        one.append_all(RECORDS[:20], READINGS)
    said(capsys, "export", "--store", str(tmp_path / "s.db"), "-o", str(lines))
    octets = lines.read_bytes()
    name = "b.jsonl.gz" if form in ("packed", "plain, named packed") else "b.jsonl"
    packed = form.startswith("packed")
    (tmp_path / name).write_bytes(
        gzip.compress(octets) if packed else b"\xef\xbb\xbf" + octets if form == "marked" else octets
    )
    for place in (str(tmp_path / name),):
        out, _ = said(capsys, "import", "--store", str(tmp_path / "c.db"), place, "--json")
        assert json.loads(out)["records"] == 20
    assert len(read_file(tmp_path / name)) == 21
    if packed:
        (tmp_path / name).write_bytes(gzip.compress(octets)[:-100])
        _, err = said(capsys, "import", "--store", str(tmp_path / "d.db"), str(tmp_path / name), code=2)
        assert "its packing is damaged" in err


@pytest.mark.parametrize(
    ("octets", "says"),
    [
        ("{}".encode("utf-16"), "UTF-16 text, not UTF-8; save it in the encoding UTF-8"),
        (b'{"agent": "B\xfcro"}\n', "not UTF-8 text; save it in the encoding UTF-8"),
        (b"time,agent,target,rtt\n", "a table (CSV) is not read: write one JSON object a line"),
        (b'[{"sent": 1},\n', "without the brackets and commas of a list: jq -c '.[]' does it"),
        (b'{\n "sent": 1\n}\n', "write each JSON object on one line: jq -c . does it"),
        (b"PK\x03\x04" + bytes(90), "no text; is this a records file?"),
    ],
)
def test_another_file_is_told_for_what_it_is(
    octets: bytes, says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "a.jsonl").write_bytes(octets)
    _, err = said(capsys, "import", "--store", str(tmp_path / "c.db"), str(tmp_path / "a.jsonl"), code=2)
    assert says in err
    assert err.count("\n") == 1
