"""One emulated home with agents as shipped and the comparer following it, on which runs are played."""

import json
import shlex
import sys
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from packet_suite.runs import HOME, QUEUES_S, RELAYS, Run, zone_at
from packet_suite.scoring import right
from whichhop.config.check import check_home
from whichhop.config.keys import create_key
from whichhop.config.load import load_yaml
from whichhop.lab.build.programs import Running
from whichhop.lab.emulated_home import EmulatedHome
from whichhop.lab.links.fault_words import parse_effect
from whichhop.lab.scenario import Scenario
from whichhop.lab.standard_home import ordinary_natures
from whichhop.model.units import NS_PER_S
from whichhop.net.clock import SystemClock, sleep_s

HERE = Path(__file__).parent
WATCHER = "study"
SINK_PORT = 9000
LEARN_S = 75.0
QUIET_S = 32.0
BACK_S = 40.0
"""After agents come back, so that no next trouble is joined to what was seen without them."""
WEIGHT = -15
AFTER_S = 18.0
"""A verdict is read this long after the fault's end: its last window must have settled."""
CUT_OFF_S = 20.0
"""What an agent measured while it was cut off comes when it is asked again."""
START_S = 60.0
LOOK_S = 0.5


class Seen(Struct, frozen=True, kw_only=True, dict=True):
    """One run and what was said of it. verdicts: those that overlap the fault, as they stood in the end.

    first: what the first bulletin that named anything named, and when. right_s: seconds from the fault's
    begin to the first bulletin with an acceptable verdict, and no other. late_s: how far behind the newest
    bulletin was at worst; under 20 s on a machine that keeps up.
    """

    home: int
    name: str
    words: str
    begin_ns: int
    end_ns: int
    verdicts: tuple[dict[str, Any], ...]
    first: str
    right_s: float | None
    late_s: float
    screen: str = ""
    """What `whichhop status` showed just before the end, where a cause inside a hop was asked for."""


class _Watch:
    """Keeps when something was first named, and when rightly, of one run."""

    def __init__(self, run: Run, begin_ns: int) -> None:
        self.run, self.begin_ns = run, begin_ns
        self.first = ""
        self.right_s: float | None = None
        self.late_s = 0.0

    def look(self, named: list[dict[str, Any]], late_s: float, now_ns: int) -> None:
        self.late_s = max(self.late_s, late_s)
        after_s = (now_ns - self.begin_ns) / NS_PER_S
        if named and not self.first:
            said = "; ".join(f"{v['cause']} {' + '.join(v['elements'])}" for v in named)
            self.first = f"{said} at {after_s:.0f} s"
        if named and self.right_s is None and all(right(self.run.kind, v) for v in named):
            self.right_s = round(after_s, 1)


class Stage:
    def __init__(self, number: int, folder: Path) -> None:
        self.number, self.folder = number, folder
        self.clock = SystemClock()
        self.agents: dict[str, Running] = {}
        self.file = folder / "alder.yaml"
        self.orders = folder / "resolver"
        self._stack = ExitStack()

    def __enter__(self) -> "Stage":
        house = check_home(load_yaml(HOME, "(the suite's home)"))
        natures = ordinary_natures(house)
        line = natures["modem/provider-edge"]
        natures["modem/provider-edge"] = replace(line, queue_s=QUEUES_S[self.number % len(QUEUES_S)])
        scenario = Scenario(name=f"suite-{self.number}", home=house, natures=natures)
        self.home = self._stack.enter_context(EmulatedHome(scenario, seed=self.number + 1, relays=RELAYS))
        hour = self.clock.utc_ns() // (3600 * NS_PER_S) % 24
        self.file.write_text(f"zone: {zone_at(hour)}\n{HOME}")
        create_key(self.folder / "alder.key")
        self.orders.write_text("0 0")
        self.run("router", str(HERE / "resolver.py"), "192.0.2.1", str(self.orders))
        self.run("harbour", str(HERE / "load.py"), "sink", "198.51.100.7", str(SINK_PORT))
        for node in (*(n.name for n in house.agents), "harbour"):
            self.start_agent(node)
        self.wait_for_agents()
        store = ["--store", str(self.folder / "collected.db")]
        self.watcher = self.run(
            WATCHER, "-m", "whichhop", "compare", str(self.file), "--follow", "--json", *store
        )
        return self

    def __exit__(self, *about: object) -> None:
        self._stack.close()

    def run(self, node: str, *words: str) -> Running:
        # As the service unit has it: measuring must be punctual. Where the kernel weighs whole sessions
        # (sched(7), autogroup), each program's session gets its weight too.
        script = (
            f"echo {WEIGHT} >/proc/self/autogroup; exec nice -n -5 {shlex.join([sys.executable, *words])}"
        )
        return self.home.place(node).run(["sh", "-c", script])

    def start_agent(self, node: str) -> None:
        store = ["--store", str(self.folder / f"{node}.db")]
        self.agents[node] = self.run(node, "-m", "whichhop", "run", str(self.file), "--node", node, *store)

    def wait_for_agents(self) -> None:
        end = self.clock.mono_ns() + START_S * NS_PER_S
        while not all("metrics on" in a.output() for a in self.agents.values()):
            if self.clock.mono_ns() > end:
                raise SystemExit("\n".join(a.output() for a in self.agents.values()))
            sleep_s(0.2)

    def newest(self) -> dict[str, Any]:
        """The newest bulletin that is whole; news on how the comparing goes is passed over."""
        for line in reversed(self.watcher.output().split("\n")[:-1]):
            if line.startswith("{"):
                found: dict[str, Any] = json.loads(line)
                return found
        return {"told": [], "at_ns": 0, "learning_s": 1.0}

    def learn(self) -> None:
        """Wait until the comparer has its first baseline and some ticks to judge it by."""
        sleep_s(LEARN_S)
        end = self.clock.mono_ns() + START_S * NS_PER_S
        while self.newest()["learning_s"] > 0:
            if self.clock.mono_ns() > end:
                raise SystemExit(f"the comparer learned nothing: {self.watcher.output()[-500:]}")
            sleep_s(1.0)

    def screen(self) -> str:
        """What somebody reads who asks for the state now."""
        asked = self.run(
            WATCHER, "-m", "whichhop", "status", str(self.file), "--store", str(self.folder / "status.db")
        )
        end = self.clock.mono_ns() + START_S * NS_PER_S
        while asked.poll() is None and self.clock.mono_ns() < end:
            sleep_s(0.2)
        return asked.output()

    def play(self, run: Run) -> Seen:
        """One run after a quiet time; the truth is what is done here."""
        for node in run.kind.silent:
            self.agents[node].stop()
        sleep_s(QUIET_S)
        begin = self.clock.utc_ns()
        numbers = []
        if run.kind.resolver:
            self.orders.write_text(run.words)
        elif run.words:
            numbers.append(self.home.fault(run.kind.element, parse_effect(run.words)))
        if run.kind.load:
            words = ["fill", "198.51.100.7", str(SINK_PORT), str(run.streams), str(run.for_s)]
            self.run(run.host, str(HERE / "load.py"), *words)
        end = begin + round(run.for_s * NS_PER_S)
        watch = _Watch(run, begin)
        self._look_until(end, watch)
        screen = self.screen() if run.kind.inside is not None else ""
        for number in numbers:
            self.home.clear(number)
        self.orders.write_text("0 0")
        after_s = AFTER_S + (CUT_OFF_S if run.words == "outage" else 0.0)
        self._look_until(end + round(after_s * NS_PER_S), watch)
        verdicts = _overlapping(self.newest(), begin, end)
        for node in run.kind.silent:
            self.start_agent(node)
        if run.kind.silent:
            self.wait_for_agents()
            sleep_s(BACK_S)
        load = f"{run.streams} streams from {run.host}" if run.kind.load else ""
        return Seen(
            home=self.number,
            name=run.kind.name,
            words=" + ".join(w for w in (run.words, load) if w),
            begin_ns=begin,
            end_ns=end,
            verdicts=tuple(verdicts),
            first=watch.first,
            right_s=watch.right_s,
            late_s=round(watch.late_s, 1),
            screen=screen,
        )

    def _look_until(self, end_ns: int, watch: _Watch) -> None:
        while (now := self.clock.utc_ns()) < end_ns:
            newest = self.newest()
            named = _overlapping(newest, watch.begin_ns, min(now, end_ns))
            watch.look(named, (now - newest["at_ns"]) / NS_PER_S, now)
            sleep_s(LOOK_S)


def _overlapping(bulletin: dict[str, Any], begin_ns: int, end_ns: int) -> list[dict[str, Any]]:
    """The verdicts on a span: they begin in it or at most a window and a half before, and reach into it.

    What began earlier is the fault before, whose end is not seen yet.
    """
    least = 5 * NS_PER_S
    return [
        t["verdict"]
        for t in bulletin["told"]
        if begin_ns - 3 * least <= t["verdict"]["start_ns"] < end_ns - least
        and (t["verdict"]["end_ns"] is None or t["verdict"]["end_ns"] > begin_ns + least)
    ]
