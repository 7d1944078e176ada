"""A third machine joins a home whose two agents run, by the verbs a person types; nothing is restarted."""

import json
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from support.loopback_home import ADDRESS, LoopbackHome, free_port
from whichhop.config.check import read_home
from whichhop.config.keys import key_path_for
from whichhop.config.known_agents import known_agents_path, read_known

pytestmark = [pytest.mark.slow, pytest.mark.waits]


@pytest.fixture
def home(tmp_path: Path) -> Iterator[LoopbackHome]:
    made = LoopbackHome(tmp_path)
    yield made
    made.end()


def verb(*words: str) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        [sys.executable, "-m", "whichhop", *words],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def first_line(process: "subprocess.Popen[str]") -> dict[str, Any]:
    assert process.stdout is not None
    line = process.stdout.readline()
    assert line, process.stderr and process.stderr.read()
    found: dict[str, Any] = json.loads(line)
    return found


def test_a_machine_joins_and_the_running_agents_take_it_up(home: LoopbackHome, tmp_path: Path) -> None:
    home.write(["desk", "study"])
    # The study's machine has a copy of its own, as it would by an invitation of its own.
    copy = tmp_path / "study" / "home.yaml"
    copy.parent.mkdir()
    shutil.copy(home.file, copy)
    shutil.copy(home.key, key_path_for(copy))
    home.start("desk")
    home.start("study", file=copy)

    invite = verb(
        "invite", str(home.file), "--json", "--address", ADDRESS["desk"], "--port", str(free_port())
    )
    shown = first_line(invite)
    theirs = tmp_path / "attic" / "home.yaml"
    theirs.parent.mkdir()
    where = f"{shown['address']}:{shown['port']}"
    words = ["join", where, str(theirs), "--name", "attic", "--address", ADDRESS["attic"], "--json"]
    # A slip of the finger costs no try and is told at once; the code itself comes in on standard input.
    slip = verb(*words)
    _, err = slip.communicate(shown["code"][:-1] + ("2" if shown["code"][-1] != "2" else "3"), timeout=60)
    assert slip.returncode == 2
    assert "a letter of the code is wrong" in err
    done = verb(*words)
    out, err = done.communicate(f"{shown['code'].lower()}\n", timeout=60)
    assert done.returncode == 0, err
    joined = json.loads(out)
    told = first_line(invite)
    invite.communicate(timeout=60)
    assert invite.returncode == 0
    assert (told["joined"], told["key"]) == ("attic", joined["key"])
    assert sorted(told["told"]) == ["desk", "study"]

    # Both took it up: the desk from its file, the study from the desk, each with its two lines.
    home.wait_for("desk", "home file read again: 3 sessions")
    home.wait_for("study", "attic joined the home, as desk says", 60)
    home.wait_for("study", "home file read again: 3 sessions")
    assert read_home(copy).nodes.keys() == read_home(home.file).nodes.keys()
    assert "attic" in read_known(known_agents_path(copy)).certificates
    # The joined machine's agent answers and asks, by the key that it was given.
    home.start("attic", file=theirs)
    home.wait(lambda: home.answered("desk", "attic") >= 2 and home.answered("study", "attic") >= 2, 60)
    home.wait(lambda: home.answered("attic", "desk") >= 2 and home.answered("attic", "study") >= 2, 60)


def test_a_verb_says_what_is_wrong_before_anything_is_tried(home: LoopbackHome, tmp_path: Path) -> None:
    home.write(["desk", "study"])
    for words, told in (
        (["invite", str(home.file), "--behind", "cellar"], "no node of"),
        (["invite", str(home.file), "--minutes", "0"], "from 1 to 60"),
        (["invite", str(tmp_path / "none.yaml")], "cannot be read"),
        (["join", "192.0.2.1:x"], "no address"),
        (["join", "127.0.81.20", str(home.file)], "is there already"),
        (["join", "127.0.81.20", str(tmp_path / "a.yaml"), "--name", "My PC"], "use for instance my-pc"),
        (["join", "127.0.81.20", str(tmp_path / "a.yaml"), "--code", "abc"], "3 letters are no code"),
        (["start", str(tmp_path / "a.yaml"), "--code", "abc"], "is for --join ADDRESS"),
    ):
        done = verb(*words)
        _, err = done.communicate(timeout=60)
        assert done.returncode == 2
        assert told in err
        assert len(err.strip().splitlines()) == 1, err
