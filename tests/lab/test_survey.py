"""A walk through the emulated home: the radio hop is another in each room, and one room has none at all."""

import json
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from msgspec import Struct

from support.need import need_program, need_root
from whichhop.config.keys import create_key
from whichhop.lab.build.programs import Done
from whichhop.lab.emulated_home import EmulatedHome
from whichhop.lab.scenario import Effect
from whichhop.lab.standard_home import HOME_FILE, alder_scenario
from whichhop.net.clock import SystemClock, sleep_s

pytestmark = [pytest.mark.lab, pytest.mark.slow, pytest.mark.waits]

HOP = "desk/attic"
ROOMS = {
    "study corner": Effect(),
    "bedroom": Effect(loss_ratio=0.08, delay_s=0.04),
    "shed": Effect(outage=True),
}
"""What a laptop's radio hop does in each room, on top of its nature."""
SECONDS = "5"


class Walker:
    """The laptop (node desk) in the emulated home."""

    def __init__(self, home: EmulatedHome, folder: Path) -> None:
        self.home, self.folder = home, folder
        self.file = folder / "alder.yaml"
        self.file.write_text(HOME_FILE)
        create_key(folder / "alder.key")

    def words(self, *words: str) -> list[str]:
        store = str(self.folder / "walks.db")
        return [sys.executable, "-m", "whichhop", "survey", str(self.file), *words, "--store", store]

    def survey(self, *words: str) -> Done:
        return self.home.place("desk").call(self.words(*words), timeout_s=300)

    def room(self, name: str, effect: Effect, walk: str) -> Done:
        number = self.home.fault(HOP, effect)
        try:
            return self.survey(name, "--seconds", SECONDS, "--walk", walk)
        finally:
            self.home.clear(number)

    def data(self, *words: str) -> dict[str, Any]:
        done = self.survey(*words, "--json")
        found: dict[str, Any] = json.loads(done.output[done.output.index("{") :])
        return found


@pytest.fixture(scope="module")
def walker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Walker]:
    need_root()
    for program in ("ip", "tc", "nft"):
        need_program(program)
    with ExitStack() as stack:
        home = stack.enter_context(EmulatedHome(alder_scenario(), check=False))
        walker = Walker(home, tmp_path_factory.mktemp("alder"))
        agents = []
        for node in ("router", "desk"):
            store = str(walker.folder / f"{node}.db")
            words = [sys.executable, "-m", "whichhop", "run", str(walker.file), "--node", node]
            agents.append(home.place(node).run([*words, "--store", store]))
        clock = SystemClock()
        end = clock.mono_ns() + 60 * 10**9
        while not all("metrics on" in agent.output() for agent in agents):
            assert clock.mono_ns() < end, [a.output() for a in agents]
            sleep_s(0.1)
        yield walker


class Walked(Struct, frozen=True):
    """A walk: how each room's run ended, and the table as data."""

    runs: dict[str, Done]
    dead: list[str]
    rooms: dict[str, dict[str, Any]]


@pytest.fixture(scope="module")
def first(walker: Walker) -> Walked:
    runs = {name: walker.room(name, effect, "first") for name, effect in ROOMS.items()}
    data = walker.data("--list", "--walk", "first")
    return Walked(runs, data["dead"], {r["result"]["room"]: r for r in data["rooms"]})


def test_each_room_is_told_by_what_its_radio_does_and_the_dead_one_is_found(first: Walked) -> None:
    ends = {name: done.code for name, done in first.runs.items()}
    said = "\n".join(done.output for done in first.runs.values())
    assert ends == {"study corner": 0, "bedroom": 0, "shed": 1}, said
    assert first.dead == ["shed"]
    rooms = first.rooms
    assert rooms["bedroom"]["quality"] in ("poor", "fair")
    good, bad, dead = (rooms[name]["result"] for name in ROOMS)
    assert good["sent"] == bad["sent"] == 50
    # 40 ms a way, twice; the hop's own loss is under 1 %
    assert bad["p50_s"] - good["p50_s"] == pytest.approx(0.08, abs=0.03)
    assert rooms["bedroom"]["loss"]["low"] <= 1 - 0.92**2 <= rooms["bedroom"]["loss"]["high"]
    assert dead["lost"] + dead["unsent"] == 50
    assert dead["p50_s"] is None


def test_a_transfer_from_the_good_room_goes_through_the_laptops_agent(first: Walked) -> None:
    good, dead = first.rooms["study corner"]["result"], first.rooms["shed"]["result"]
    assert good["down_bps"] > 5e6, first.runs["study corner"].output
    assert good["up_bps"] > 5e6
    assert dead["down_bps"] is None


@pytest.mark.usefixtures("first")
def test_a_second_walk_is_compared_with_the_first_room_by_room(walker: Walker, tmp_path: Path) -> None:
    mended = walker.survey("bedroom", "--seconds", SECONDS, "--walk", "second", "--no-transfer")
    assert mended.code == 0, mended.output
    data = walker.data("--compare", "first")
    assert (data["before"], data["after"]) == ("first", "second")
    assert data["only_before"] == ["shed", "study corner"]
    found = {c["figure"]: c for c in data["changes"]}
    assert found["round trip"]["better"] is True
    assert found["round trip"]["high"] < -0.05
    drawing = tmp_path / "rooms.svg"
    listed = walker.survey("--list", "--walk", "first", "--svg", str(drawing))
    assert "Dead: shed." in listed.output
    root = ElementTree.fromstring(drawing.read_text())
    assert "dead: shed" in (root.get("aria-label") or "")
