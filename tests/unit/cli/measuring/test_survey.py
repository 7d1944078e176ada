"""`whichhop survey`: what it refuses and what it shows of kept walks; the walk itself is a lab test."""

import json
from importlib import import_module
from pathlib import Path
from xml.etree import ElementTree

import pytest
from msgspec.structs import replace

from support.room_results import KITCHEN
from whichhop.cli import main
from whichhop.lab.standard_home import HOME_FILE
from whichhop.model.room import to_readings
from whichhop.store.store import Store

WALKED = replace(KITCHEN, lost=2, down_bps=88e6, down_at_least=0.0, up_at_least=1.0)
SHED = replace(WALKED, room="shed", sent=0, lost=0, unsent=300, p50_s=None, p95_s=None, down_bps=None)
LATER = replace(WALKED, walk="autumn", at_ns=WALKED.at_ns + 10**15, lost=40)


@pytest.fixture
def words(tmp_path: Path) -> list[str]:
    home, store = tmp_path / "alder.yaml", tmp_path / "walks.db"
    home.write_text(HOME_FILE)
    with Store.make(store) as kept:
        kept.append_all((), [r for result in (WALKED, SHED, LATER) for r in to_readings(result)])
    return ["survey", str(home), "--store", str(store)]


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["kitchen", "--node", "modem"], "no agent runs on 'modem'; nodes with agents: router, attic"),
        (["kitchen"], "say which it is with --node"),
        (["kitchen", "--node", "desk", "--target", "mill"], "desk has no session to mill"),
        (["kitchen", "--seconds", "0"], "give 1 to 600"),
        (["a/b"], "'a/b' cannot be a name here"),
        ([], "name the room you are in"),
        (["kitchen", "--list"], "name the room you are in"),
        (["--compare", "never"], "no walk 'never' is kept here; there are: spring, autumn"),
        (["--list", "--walk", "never"], "no walk 'never'"),
        (["--list", "--svg", "/nowhere/r.svg"], "cannot be written"),
    ],
)
def test_what_cannot_be_done_is_said_in_one_line(
    more: list[str],
    said: str,
    words: list[str],
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Whatever addresses the machine that runs the tests may have.
    monkeypatch.setattr(import_module("whichhop.cli.measuring.survey"), "interface_of", lambda _: None)
    assert main([*words[:2], *more, *words[2:]]) == 2
    (line,) = capsys.readouterr().err.strip().splitlines()
    assert said in line


def test_a_walk_is_shown_as_table_data_and_drawing(
    words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    drawing = tmp_path / "rooms.svg"
    assert main([*words, "--list", "--walk", "spring", "--svg", str(drawing)]) == 1
    said = capsys.readouterr().out
    assert "Dead: shed." in said
    assert ">=19.0" in said
    assert "nothing could be sent" in said
    assert ElementTree.fromstring(drawing.read_text()).get("role") == "img"
    assert main([*words, "--list", "--walk", "spring", "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["dead"] == ["shed"]


def test_the_newest_walk_is_compared_unless_another_is_named(
    words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([*words, "--compare", "spring"]) == 0
    said = capsys.readouterr().out
    assert "Walk autumn against spring" in said
    assert "kitchen: loss 0.7 % before, 13.3 % now; worse" in said
    assert "Only in spring: shed." in said
    assert main([*words, "--compare", "autumn", "--walk", "spring", "--json"]) == 0
    changes = json.loads(capsys.readouterr().out)["changes"]
    assert next(c for c in changes if c["figure"] == "loss")["better"] is True
