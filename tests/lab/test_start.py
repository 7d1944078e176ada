"""The first day in the emulated home: from nothing to an answer on one machine, then a second one by a code.

Nothing is prepared but the network: the commands are the ones that README.md has, with the time they measure
shortened. The target is a host name, found as on any machine.
"""

import json
import sys
from pathlib import Path

import pytest

from whichhop.config.check import check_home, read_home
from whichhop.config.load import load_yaml
from whichhop.lab.build.programs import Running
from whichhop.lab.emulated_home import EmulatedHome
from whichhop.lab.scenario import Scenario
from whichhop.lab.standard_home import HOME_FILE, ordinary_natures
from whichhop.net.clock import SystemClock, sleep_s

pytestmark = [pytest.mark.lab, pytest.mark.slow, pytest.mark.waits]

WHICHHOP = [sys.executable, "-m", "whichhop"]
TARGET = "harbour.example.net"
CLOCK = SystemClock()


def until_says(running: Running, words: str, seconds: float = 60) -> str:
    end = CLOCK.mono_ns() + seconds * 1e9
    while words not in (said := running.output()):
        assert CLOCK.mono_ns() < end, said
        assert running.poll() is None, said
        sleep_s(0.2)
    return said


def last_json(output: str) -> dict[str, object]:
    found: dict[str, object] = json.loads(output[output.index("\n{") :])
    return found


def test_from_nothing_to_answers_of_two_machines(tmp_path: Path) -> None:
    home = check_home(load_yaml(HOME_FILE.replace("address: 198.51.100.7", f"address: {TARGET}"), "lab"))
    scenario = Scenario(name="alder", home=home, natures=ordinary_natures(home), faults=(), seconds=120.0)
    file, store = tmp_path / "home.yaml", tmp_path / "study.db"
    (tmp_path / "desk").mkdir()
    start = [*WHICHHOP, "start", str(file), "--store", str(store), "--seconds", "30"]
    with EmulatedHome(scenario, check=False) as built:
        study, desk = built.place("study"), built.place("desk")

        # Nobody is there to say yes, so nothing is probed and nothing is written.
        asked = study.call(start, timeout_s=60)
        assert asked.code == 2
        assert "--yes" in asked.output.splitlines()[-1]
        assert not file.exists()

        # Without a target the router alone is probed, and the line is not called free of faults.
        first = study.call([*start, "--yes", "--line", "Docsis"], timeout_s=90)
        assert first.code == 0, first.output
        assert "Not measured" in first.output
        assert "router to provider-edge" in first.output
        assert [n.address for n in read_home(file).agents] == ["192.0.2.30"]

        # The user allows a target, as the file's own remark says, and lets the agent run on.
        file.write_text(f"{file.read_text()}targets: {{peers: [{TARGET}]}}\n")
        (node,) = read_home(file).agents
        agent = study.run([*WHICHHOP, "run", str(file), "--node", node.name, "--store", str(store)])
        until_says(agent, "the provider's first hop is")

        # A second machine joins by the code, measures at once, and gets an answer about the line too.
        invite = study.run([*WHICHHOP, "invite", str(file), "--json"])
        until_says(invite, '"code"')
        shown = json.loads(next(line for line in invite.output().splitlines() if '"code"' in line))
        words = ["--join", shown["address"], "--code", shown["code"], "--name", "desk", "--yes", "--json"]
        theirs = ["--store", str(tmp_path / "desk.db"), "--seconds", "30", *words]
        joined = desk.call([*WHICHHOP, "start", str(tmp_path / "desk" / "home.yaml"), *theirs], timeout_s=120)
        assert joined.code == 0, joined.output
        assert "home file read again" in until_says(agent, "home file read again")
    data = last_json(joined.output)
    assert data["not_measured"] == []
    sessions = data["sessions"]
    assert isinstance(sessions, dict | list)
    heard = {str(key).partition(":")[0] for key in sessions if str(key).startswith("desk>")}
    assert {"desk>router", "desk>provider-edge"} <= heard
    assert len(heard) == 4  # and the target, and the first machine's agent, which answered by then
