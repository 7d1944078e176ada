"""The demo: the emulated home up, real agents in it, a fault, a verdict; or recorded samples judged anew."""

import gzip
import json
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from msgspec import Struct

from whichhop.compare.comparison import compare_records, comparison_data
from whichhop.config.files import write_output
from whichhop.config.keys import create_key
from whichhop.errors import DataError, WhichhopError
from whichhop.lab.build.programs import Running
from whichhop.lab.demo.stories import Story, StoryOutcome, is_named, outcome
from whichhop.lab.emulated_home import EmulatedHome
from whichhop.lab.links.fault_words import effect_words
from whichhop.lab.standard_home import HOME_FILE, alder_home, alder_scenario
from whichhop.model import Record
from whichhop.model.figure_words import probability_words
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S
from whichhop.net.clock import Clock, SystemClock, sleep_s
from whichhop.store.files import read_file

QUIET_S = 45.0
"""Health first: each session's own quiet baseline is what a fault is measured against."""
FAULT_S = 80.0
"""The longest that a verdict is waited for."""
LOOK_S = 1.0
SURE = 0.9
CONFIRM_S = 8.0
"""Once the comparer that follows has been that sure for so long, the whole history is judged."""
START_S = 60.0
HOME_NAME = "alder.yaml"
WATCHER = "study"
"""The machine that compares: by cable at the router, as a person would choose."""

Tell = Callable[[str], None]


class Shown(Struct, frozen=True, kw_only=True):
    """What the demo saw. from_fault_s: from the fault's begin to the first verdict that named it."""

    story: Story
    outcome: StoryOutcome
    seconds: float
    from_fault_s: float | None
    compared: dict[str, Any]
    recorded: bool = False


class _Stage:
    """The home with its agents, and the questions asked of it."""

    def __init__(self, home: EmulatedHome, folder: Path, clock: Clock) -> None:
        self.home, self.folder, self.clock = home, folder, clock
        self.agents: dict[str, Running] = {}
        self._following: Running | None = None

    def start_agents(self) -> None:
        """Start `whichhop run` on every node that has one, and wait until each measures."""
        (self.folder / HOME_NAME).write_text(HOME_FILE)
        create_key((self.folder / HOME_NAME).with_suffix(".key"))
        home = self.home.scenario.home
        for node in (*(n.name for n in home.agents), *home.peers):
            words = ["run", str(self.folder / HOME_NAME), "--node", node]
            store = ["--store", str(self.folder / f"{node}.db")]
            argv = [sys.executable, "-m", "whichhop", *words, *store]
            self.agents[node] = self.home.place(node).run(argv)
        end = self.clock.mono_ns() + int(START_S * NS_PER_S)
        while not all("metrics on" in agent.output() for agent in self.agents.values()):
            for node, agent in self.agents.items():
                if agent.poll() is not None:
                    raise WhichhopError(f"the agent on {node} ended: {agent.output().strip()[-300:]}")
            if self.clock.mono_ns() > end:
                raise WhichhopError(
                    f"the agents did not start within {START_S:g} s; end what else keeps this machine busy,"
                    " and try again"
                )
            sleep_s(0.1)

    def _compare_words(self, store: str, *options: str) -> list[str]:
        argv = [sys.executable, "-m", "whichhop", "compare", str(self.folder / HOME_NAME), "--json"]
        return [*argv, "--store", str(self.folder / store), *options]

    def follow(self) -> None:
        """Start `whichhop compare --follow` on the watcher, before anything is broken."""
        self._following = self.home.place(WATCHER).run(self._compare_words("following.db", "--follow"))

    def ongoing(self) -> list[dict[str, Any]]:
        """The verdicts that the following comparer says go on, by its newest bulletin."""
        if self._following is None:
            return []
        if self._following.poll() is not None:
            raise WhichhopError(f"the comparer ended: {self._following.output().strip()[-300:]}")
        lines = self._following.output().rpartition("\n")[0].splitlines()
        newest = next((line for line in reversed(lines) if line.startswith("{")), None)
        if newest is None:
            return []
        told = [t["verdict"] | {"words": t["words"]} for t in json.loads(newest)["told"]]
        return [v for v in told if v["end_ns"] is None]

    def compare(self) -> dict[str, Any]:
        """Run `whichhop compare` on the watcher; its answer as data."""
        done = self.home.place(WATCHER).call(self._compare_words("collected.db"))
        if done.code != 0:
            raise WhichhopError(f"the comparer ended with code {done.code}: {done.output.strip()[-300:]}")
        data: dict[str, Any] = json.loads(done.output[done.output.index("{") :])
        return data

    def save(self, target: Path) -> None:
        """Write all records as one file in the interchange form, for a demo without namespaces."""
        for agent in self.agents.values():
            agent.stop()
        lines = []
        out = self.folder / "out.jsonl"
        for node in (n.name for n in self.home.scenario.home.agents):
            words = ["records", "export", "--store", str(self.folder / f"{node}.db"), "--output", str(out)]
            done = self.home.place(None).call([sys.executable, "-m", "whichhop", *words])
            if done.code != 0:
                raise WhichhopError(f"the records of {node} could not be written: {done.output.strip()}")
            lines.append(out.read_text())
        text = "".join(lines)
        # gzip without a time inside, so that the same records make the same file.
        octets = text.encode()
        write_output(target, gzip.compress(octets, mtime=0) if target.suffix == ".gz" else octets)


def play(
    story: Story, tell: Tell, *, quiet_s: float = QUIET_S, fault_s: float = FAULT_S, save: Path | None = None
) -> Shown:
    """Show one story on real packets. SystemRefusedError where the system refuses namespaces."""
    clock = SystemClock()
    begin = clock.mono_ns()
    with tempfile.TemporaryDirectory(prefix="whichhop-demo-") as folder:
        tell("building the emulated home: host, mesh node, router, modem, access line, provider edge, peer")
        with EmulatedHome(alder_scenario()) as home:
            stage = _Stage(home, Path(folder), clock)
            tell("every link measured and as asked; starting the agents on " + ", ".join(_agents(home)))
            stage.start_agents()
            stage.follow()
            tell(f"measuring the healthy home for {quiet_s:g} s")
            sleep_s(quiet_s)
            shown = _watch(stage, story, tell, fault_s)
            if save is not None:
                stage.save(save)
            tell("taking the home down")
    return Shown(
        story=story,
        outcome=shown.outcome,
        seconds=(clock.mono_ns() - begin) / NS_PER_S,
        from_fault_s=shown.from_fault_s,
        compared=shown.compared,
    )


def _agents(home: EmulatedHome) -> list[str]:
    return [*(n.name for n in home.scenario.home.agents), *home.scenario.home.peers]


def _watch(stage: _Stage, story: Story, tell: Tell, fault_s: float) -> Shown:
    """Break what the story breaks, and hear the comparer until its verdict stands or the time is up."""
    clock = stage.clock
    fault_ns: int | None = None
    if story.element is not None and story.effect is not None:
        stage.home.fault(story.element, story.effect)
        fault_ns = clock.utc_ns()
        tell(f"fault on: {story.words} ({story.element}: {effect_words(story.effect)})")
    else:
        tell(f"no fault: {story.words}; watching for false alarms")
    begin = clock.mono_ns()
    first_named: float | None = None
    since: float | None = None
    said = ""
    while True:
        sleep_s(LOOK_S)
        passed = (clock.mono_ns() - begin) / NS_PER_S
        seen = outcome(story, stage.ongoing(), fault_ns)
        named = seen.named is not None and is_named(story, seen.named)
        if named and first_named is None:
            first_named = passed
        sure = named and seen.named is not None and seen.named["probability"] >= SURE
        since = (passed if since is None else since) if sure else None
        if (words := _seen_words(seen)) != said:
            tell(f"{passed:3.0f} s: {words}")
            said = words
        if passed < fault_s and (since is None or passed - since < CONFIRM_S):
            continue
        compared = stage.compare()
        seen = outcome(story, compared["verdicts"], fault_ns)
        if seen.matches or passed >= fault_s:
            return Shown(
                story=story, outcome=seen, seconds=passed, from_fault_s=first_named, compared=compared
            )


def _seen_words(seen: StoryOutcome) -> str:
    if seen.named is None:
        return "nothing exceeds its baseline"
    verdict = seen.named
    sure = probability_words(verdict["probability"])
    return f"{verdict['cause']}: {' + '.join(verdict['elements'])}, {sure} sure"


def recorded_folder() -> Path:
    """Where a checkout keeps the recordings; an installed package alone has none."""
    return Path(__file__).parents[4] / "shared" / "recorded"


def replay(story: Story, folder: Path) -> Shown:
    """Judge a recorded story; DataError when there is no recording."""
    file = folder / f"{story.name}.jsonl.gz"
    if not file.exists():
        raise DataError(f"{file}: no recording there; run the demo from a checkout of the project")
    everything = read_file(file)
    records = [x for x in everything if isinstance(x, Record)]
    readings = [x for x in everything if not isinstance(x, Record)]
    if not records:
        raise DataError(f"{file}: holds no records; get the file from the project again")
    last = max(r.samples.sent_ns[-1] for r in records if len(r.samples))
    start = min(r.minute for r in records) * NS_PER_MINUTE
    found = compare_records(alder_home(), records, readings, start_ns=start, end_ns=last)
    if found is None:
        raise DataError(f"{file}: holds nothing of this home; get the file from the project again")
    data = comparison_data(found)
    return Shown(
        story=story,
        outcome=outcome(story, data["verdicts"], None),
        seconds=(last - start) / 1e9,
        from_fault_s=None,
        compared=data,
        recorded=True,
    )
