"""`whichhop call-log`: calls are noted, listed, taken back, carried along; bad input is one line."""

import json
from pathlib import Path

import pytest

from whichhop.cli import main
from whichhop.lab.standard_home import HOME_FILE
from whichhop.model.note import CallNote
from whichhop.store.interchange import read_lines
from whichhop.store.note_lines import call_line


def words(folder: Path, *more: str) -> list[str]:
    home = folder / "alder.yaml"
    home.write_text(HOME_FILE)
    return ["call-log", str(home), *more, "--store", str(folder / "s.db")]


def test_a_call_is_noted_listed_and_taken_back(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    more = ("--spoke-to", "first line", "--ticket", "4711", "--promised", "2026-03-05")
    assert main(words(tmp_path, "line test ordered", "--at", "2026-03-02T09:30Z", *more)) == 0
    assert "ticket 4711, promised by 2026-03-05" in capsys.readouterr().out
    assert main(words(tmp_path, "--list", "--json")) == 0
    (row,) = json.loads(capsys.readouterr().out)
    assert (row["number"], row["text"], row["ticket"]) == (1, "line test ordered", "4711")
    assert row["at_ns"] == 1_772_443_800 * 10**9  # 2026-03-02T09:30Z, by date(1)
    assert main(words(tmp_path, "--remove", "1")) == 0
    capsys.readouterr()
    main(words(tmp_path, "--list"))
    assert "no call is noted yet" in capsys.readouterr().out


def test_times_are_read_and_told_in_the_homes_zone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home = tmp_path / "alder.yaml"
    home.write_text("zone: Asia/Kathmandu\n" + HOME_FILE)
    asked = ["call-log", str(home), "line test ordered", "--at", "2026-03-02T09:30", "--store"]
    assert main([*asked, str(tmp_path / "s.db")]) == 0
    # UTC+5:45 since 1986, by the IANA time zone data
    assert "2026-03-02 09:30:00 UTC+5:45, line test ordered" in capsys.readouterr().out


def test_calls_are_carried_along_with_the_records(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(words(tmp_path, "said „all fine“", "--at", "2026-03-02T09:30Z", "--ticket", "A=1"))
    out = tmp_path / "day.jsonl"
    assert main(["records", "export", "--store", str(tmp_path / "s.db"), "--output", str(out)]) == 0
    assert main(["records", "import", "--store", str(tmp_path / "other.db"), str(out)]) == 0
    capsys.readouterr()
    main(
        ["call-log", str(tmp_path / "alder.yaml"), "--store", str(tmp_path / "other.db"), "--list", "--json"]
    )
    (row,) = json.loads(capsys.readouterr().out)
    assert (row["text"], row["ticket"]) == ("said „all fine“", "A=1")


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ((), "say what was said"),
        (("x", "--list"), "say what was said"),
        (("--ticket", "4711", "--list"), "belong to a call's TEXT"),
        (("x", "--promised", "next week"), "no day of the calendar"),
        (("x", "--promised", "2026-02-30"), "no day of the calendar"),
        (("x", "--promised", "20260305"), "no day of the calendar"),
        (("x", "--at", "2999-01-01T00:00Z"), "still to come"),
        (("x" * 301,), "keep it on one line"),
        (("x", "--ticket", "a\x1bb"), "keep it on one line"),
        (("  ",), "in a few words"),
        (("--remove", "7"), "no such call; there are: none"),
    ],
)
def test_bad_input_is_one_line_and_notes_nothing(
    more: tuple[str, ...], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(words(tmp_path, *more)) == 2
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1
    main(words(tmp_path, "--list", "--json"))
    assert json.loads(capsys.readouterr().out) == []


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('{"call": "2026-03-02T09:30:00Z"}', "text"),
        ('{"call": "2026-03-02T09:30:00Z", "text": "x", "promised": "soon"}', "no day"),
        ('{"call": "2026-03-02T09:30:00Z", "text": "x", "by": "y"}', "unknown key"),
        ('{"call": "2026-03-02T09:30:00Z", "text": "a\\u0007b"}', "no short line"),
    ],
)
def test_a_bad_line_is_refused_by_key(line: str, said: str) -> None:
    with pytest.raises(Exception, match=said):
        list(read_lines([line], "a.jsonl"))


def test_a_line_reads_back_as_the_call_it_was() -> None:
    call = CallNote(at_ns=1_772_443_800 * 10**9, text="a", ticket="4711", promised="2026-03-05")
    heard: list[object] = []
    list(read_lines([call_line(call)], "a.jsonl", heard.append))
    assert heard == [call]
