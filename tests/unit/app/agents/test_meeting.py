"""Who is met is an agent that the running home names, at its ports; what reads a home file is not loaded."""

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from support.homes import alder
from whichhop.app.agents import meeting
from whichhop.app.agents.agents_fetch import Identified
from whichhop.config.keys import create_key
from whichhop.config.known_agents import known_agents_path, read_known
from whichhop.daemon.options import RunOptions


def met_by(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, agent: str, held: list[int]
) -> tuple[int, list[str], Path]:
    """The child's exit code and whom it asked, where `agent` answers to the home's key."""
    asked: list[str] = []
    home_file = tmp_path / "home.yaml"  # never written, so never read
    create_key(tmp_path / "home.key")

    def identified(base: str, *_: object, **__: object) -> Identified:
        asked.append(base)
        return Identified(agent=agent, certificate="its certificate")

    def holds(_address: str, port: int, *_: Any) -> bool:
        held.append(port)
        return True

    monkeypatch.setattr(meeting, "identified", identified)
    monkeypatch.setattr(meeting, "holds", holds)
    options = RunOptions(home_file=home_file, node="desk", store=tmp_path / "desk.db")
    words = options.meeting(alder(), "192.0.2.77")
    module = words.index("whichhop.app.agents.meeting")
    return meeting.main(words[module + 1 :]), asked, home_file


def test_an_agent_of_the_home_is_known_by_its_key_from_then_on(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    name, held = next(node.name for node in alder().agents), list[int]()
    code, asked, home_file = met_by(monkeypatch, tmp_path, name, held)
    assert code == 0, capfd.readouterr().err
    assert asked == [f"http://192.0.2.77:{alder().ports.api}"]
    assert held == [alder().ports.tls]
    assert read_known(known_agents_path(home_file)).certificates == {name: "its certificate"}


def test_an_agent_that_the_home_does_not_name_is_not_met(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    held: list[int] = []
    code, _, home_file = met_by(monkeypatch, tmp_path, "elsewhere", held)
    assert code == 2
    assert "is the agent elsewhere, which is not in" in capsys.readouterr().err
    assert not known_agents_path(home_file).exists()
    assert held == []


def test_neither_what_reads_a_home_file_nor_an_event_loop_is_loaded() -> None:
    program = (
        "import sys, whichhop.app.agents.meeting; print({'pydantic', 'yaml', 'asyncio'} & {*sys.modules})"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout == "set()\n"
