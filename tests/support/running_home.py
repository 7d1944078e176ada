"""Alder House in namespaces with its agents as shipped, and the command line asked inside it."""

import json
import signal
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from whichhop.config.check import check_home
from whichhop.config.keys import create_key
from whichhop.config.load import load_yaml
from whichhop.lab.build.programs import Done, Running
from whichhop.lab.emulated_home import EmulatedHome
from whichhop.lab.scenario import LinkNature, Scenario
from whichhop.lab.standard_home import ordinary_natures
from whichhop.net.clock import SystemClock, sleep_s


class RunningHome:
    """`agents` by node; a killed one is started again by `start`."""

    def __init__(self, home: EmulatedHome, folder: Path, text: str) -> None:
        self.home, self.folder, self.clock = home, folder, SystemClock()
        self.file = folder / "alder.yaml"
        self.file.write_text(text)
        create_key(folder / "alder.key")
        self.agents: dict[str, Running] = {}
        self.nodes = (*(n.name for n in home.scenario.home.agents), *home.scenario.home.peers)
        for node in self.nodes:
            self.start(node)
        for node in self.nodes:
            self.wait_up(node)

    def start(self, node: str) -> None:
        words = ["run", str(self.file), "--node", node, "--store", str(self.store(node))]
        self.agents[node] = self.home.place(node).run([sys.executable, "-m", "whichhop", *words])

    def store(self, node: str) -> Path:
        return self.folder / f"{node}.db"

    def wait_up(self, node: str) -> None:
        self.wait_for(self.agents[node], "metrics on")

    def wait_for(self, running: Running, word: str, seconds: float = 120.0) -> None:
        """Until a program has said something."""
        end = self.clock.mono_ns() + seconds * 1e9
        while word not in running.output():
            assert self.clock.mono_ns() < end, running.output()
            sleep_s(0.05)

    def kill(self, node: str) -> None:
        """As kill -9 does, with all that the agent started; no word is said."""
        self.agents[node].signal(signal.SIGKILL)
        self.agents[node].wait(10)

    def argv(self, verb: str, *words: str) -> list[str]:
        return [sys.executable, "-m", "whichhop", verb, str(self.file), *words]

    def ask(self, verb: str, *words: str, at: str = "study", timeout_s: float = 90.0) -> Done:
        return self.home.place(at).call(self.argv(verb, *words), timeout_s=timeout_s)

    def data(self, verb: str, *words: str) -> Any:
        """What --json prints, whatever was said on stderr before it."""
        done = self.ask(verb, *words, "--json")
        assert done.code == 0, done.output
        begins = [at for at in (done.output.find("{"), done.output.find("[\n")) if at >= 0]
        return json.loads(done.output[min(begins) :])


@contextmanager
def running_home(
    folder: Path, text: str, natures: Mapping[str, LinkNature] | None = None, *, check: bool = False
) -> Iterator[RunningHome]:
    """natures: of the links that are not ordinary."""
    home = check_home(load_yaml(text, "(Alder House)"))
    every = {**ordinary_natures(home), **(natures or {})}
    scenario = Scenario(name="alder", home=home, natures=every, faults=(), seconds=120.0)
    with EmulatedHome(scenario, check=check) as built:
        yield RunningHome(built, folder, text)
