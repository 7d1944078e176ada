"""`whichhop note`: notes of changes, with what they should gain."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from support.homes import ALDER_TEXT
from whichhop.cli import main

TOP = Path(__file__).parents[3]
Ask = Callable[..., tuple[int, str]]
CABLE = str(TOP / "configs" / "cable-levels.yaml")


@pytest.fixture
def ask(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Ask:
    (tmp_path / "alder.yaml").write_text(ALDER_TEXT)

    def run(*words: str, home: str = str(tmp_path / "alder.yaml")) -> tuple[int, str]:
        code = main(["note", home, *words, "--store", str(tmp_path / "kept.db")])
        said = capsys.readouterr()
        return code, said.out + said.err

    return run


def test_a_note_is_kept_listed_and_taken_back(ask: Ask) -> None:
    assert ask("--list") == (
        0,
        'nothing is noted yet; note a change with: whichhop note HOME "what was changed"\n',
    )
    code, said = ask("moved the attic node", "--at", "2026-03-01T18:00Z")
    assert code == 0
    assert said.startswith("noted: 1, ")
    assert "before-after" in said
    code, said = ask("--list")
    assert "moved the attic node" in said
    assert ask("--remove", "1")[0] == 0
    assert "nothing is noted yet" in ask("--list")[1]


def test_the_words_may_stand_behind_an_option(ask: Ask, tmp_path: Path) -> None:
    code, said = ask("--at", "2026-03-01T18:00Z", "moved the attic node")
    assert (code, "moved the attic node" in said) == (0, True)


def test_the_coax_change_is_worked_out_when_it_is_noted(ask: Ask) -> None:
    code, said = ask("took out the splitter", "--change", "remove 5", home=CABLE)
    assert code == 0
    # 3.5 dB a leg: common practice
    assert "expected +3.5 dB down at 400 MHz, -3.5 dB to send at 30 MHz" in said
    (kept,) = json.loads(ask("--list", "--json")[1])
    assert kept["number"] == 1
    assert kept["change"].startswith("remove 5: take out part 5 (")
    assert "splitter" in kept["change"]
    assert {g["gain_db"] for g in kept["expected"]} == {3.5}


@pytest.mark.parametrize(
    ("words", "line"),
    [
        ((), "say what was changed"),
        (("x", "--list"), "say what was changed"),
        (("x", "--at", "2099-01-01T00:00Z"), "is still to come"),
        (("x", "--at", "soon"), "not a time"),
        (("x" * 201,), "1 to 200 characters"),
        ((" ",), "1 to 200 characters"),
        (("--remove", "7"), "no such note; there are: none"),
        (("x", "--change", "remove 1"), "lists no cabling"),
    ],
)
def test_what_cannot_be_noted_is_one_clear_line(ask: Ask, words: tuple[str, ...], line: str) -> None:
    code, said = ask(*words)
    assert code == 2
    assert line in said
    assert said.count("\n") == 1


def test_the_same_note_twice_is_told(ask: Ask) -> None:
    at = ("--at", "2026-03-01T18:00Z")
    assert ask("moved the attic node", *at)[0] == 0
    code, said = ask("moved the attic node", *at)
    assert (code, "is noted at" in said) == (2, True)


def test_notes_go_out_and_come_in_with_the_records(
    ask: Ask, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ask("took out the splitter", "--change", "remove 5", "--at", "2026-03-01T18:00Z", home=CABLE)
    before = ask("--list", "--json")[1]
    file, other = str(tmp_path / "out.jsonl"), str(tmp_path / "other.db")
    assert main(["records", "export", "--store", str(tmp_path / "kept.db"), "-o", file, "--quiet"]) == 0
    assert main(["records", "import", "--store", other, file, "--quiet"]) == 0
    assert "1 notes; 1 were new" in capsys.readouterr().out
    assert main(["note", CABLE, "--list", "--json", "--store", other]) == 0
    assert capsys.readouterr().out == before


def test_a_change_that_names_another_part_than_the_note_is_refused_with_the_parts_that_fit(ask: Ask) -> None:
    # Seen before: "remove 6" beside "took out the splitter" took away a cable without naming it.
    code, said = ask("took out the splitter", "--change", "remove 6", home=CABLE)
    assert code == 2
    assert "take out part 6 (4 m of" in said
    assert "5: " in said
    assert said.count("\n") == 1
    assert "nothing is noted yet" in ask("--list", home=CABLE)[1]
    code, said = ask("took out the splitter", "--change", "remove 6", "--yes", home=CABLE)
    assert code == 0
    assert "take out part 6 (4 m of" in said


def test_a_replacement_may_be_named_by_either_part(ask: Ask) -> None:
    assert ask("a coupler in the hall now", "--change", "replace 5 coupler 9", home=CABLE)[0] == 0
