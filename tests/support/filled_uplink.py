"""One running home whose 40 Mbit/s uplink is filled again and again: by the home, or with the home silent."""

import json
import random
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Self

from msgspec import Struct

from whichhop.compare.windows.table import TICK_NS
from whichhop.config.check import check_home
from whichhop.config.keys import create_key
from whichhop.config.load import load_yaml
from whichhop.lab.build.plan import rate_lines
from whichhop.lab.build.programs import Place
from whichhop.lab.emulated_home import EmulatedHome
from whichhop.lab.scenario import Scenario
from whichhop.lab.standard_home import HOME_FILE, ordinary_natures
from whichhop.model import Cause
from whichhop.model.units import NS_PER_S
from whichhop.net.clock import SystemClock, sleep_s

UP_BPS = 40_000_000
TEXT = HOME_FILE.replace("up_mbps: 20", "up_mbps: 40")
LINE = "modem/provider-edge"
PROVIDERS = {Cause.UPSTREAM_LINK, Cause.BEYOND}
SINK, EDGE, PORT = "198.51.100.7", "203.0.113.1", 9000
BEFORE_S = 45.0
"""Quiet time that a run's comparison sees before the load; a session needs three quiet windows to speak."""
AFTER_S = 22.0
WINDOW_S = TICK_NS / NS_PER_S
TOOL = str(Path(__file__).with_name("uplink_load.py"))


class Load(Struct, frozen=True, kw_only=True, dict=True):
    """One run: a queue of `queue_s` filled for `for_s` by `streams` connections from `host`, maybe in bursts.

    silent: nobody at home sends; the same queue is kept standing by a sender past the home's counters.
    """

    seed: int
    silent: bool
    host: str
    streams: int
    for_s: float
    queue_s: float
    on_s: float
    off_s: float
    control: str

    @classmethod
    def drawn(cls, seed: int, *, silent: bool = False) -> Self:
        dice = random.Random(seed)
        bursty = dice.random() < 0.3
        return cls(
            seed=seed,
            silent=silent,
            host=dice.choice(["study", "study", "attic"]),
            streams=dice.choice([1, 2, 4]),
            for_s=dice.uniform(30, 55),
            queue_s=dice.uniform(0.06, 0.4),
            on_s=dice.uniform(5, 9) if bursty else 0.0,
            off_s=1.0 if bursty else 0.0,
            control=dice.choice(["cubic", "cubic", "reno"]),
        )


class Outcome(Struct, frozen=True, kw_only=True, dict=True):
    """What the comparer said of one run. blind_s: how long even the agent set aside least was not judged."""

    load: Load
    verdicts: tuple[dict[str, Any], ...]
    blind_s: float

    @property
    def witnessed(self) -> bool:
        """False where this machine's processors were taken from it for half the time."""
        return self.blind_s <= self.load.for_s / 2

    @property
    def causes(self) -> list[str]:
        return [v["cause"] for v in self.verdicts]

    @property
    def right(self) -> bool:
        """A sender behind a radio hop fills that hop too: a verdict about it may stand beside."""
        if self.load.silent:
            return self.causes == [Cause.UPSTREAM_LINK] and LINE in self.verdicts[0]["elements"]
        return Cause.OWN_TRAFFIC in self.causes and not self.blames_provider

    @property
    def alone(self) -> bool:
        return len(self.verdicts) == 1

    @property
    def blames_provider(self) -> bool:
        return any(c in PROVIDERS for c in self.causes)

    def row(self) -> str:
        load = self.load
        how = "by nobody at home" if load.silent else f"by {load.host}, {load.streams} x {load.control}"
        how += f", {load.on_s:.0f} s on and {load.off_s:.0f} off" if load.off_s and not load.silent else ""
        said = ", ".join(f"{v['cause']} {v['probability']:.3f}" for v in self.verdicts) or "nothing"
        blind = "" if self.witnessed else f"   (no witness for {self.blind_s:.0f} s)"
        return (
            f"{load.seed:4d}  {load.for_s:4.0f} s  {1000 * load.queue_s:4.0f} ms  {how:38s}  "
            f"{said}{blind}{'' if self.right or not self.witnessed else '   WRONG'}"
        )


class FilledUplink:
    """The home with its agents as shipped; `run` loads it once and asks `whichhop compare`."""

    def __init__(self, home: EmulatedHome, folder: Path) -> None:
        self.home, self.folder, self.clock = home, folder, SystemClock()
        self.file = folder / "alder.yaml"
        self.file.write_text(TEXT)
        create_key(folder / "alder.key")
        nodes = (*(n.name for n in home.scenario.home.agents), *home.scenario.home.peers)
        agents = [
            self._at(n, "whichhop", "run", str(self.file), "--node", n, "--store", str(folder / f"{n}.db"))
            for n in nodes
        ]
        takers = [
            home.place(node).run([sys.executable, TOOL, "take", address, str(PORT)])
            for node, address in (("harbour", SINK), ("provider-edge", EDGE))
        ]
        for each, word in [*((a, "metrics on") for a in agents), *((t, "ready") for t in takers)]:
            self._await(each, word)
        sleep_s(BEFORE_S)

    def _at(self, node: str, module: str, *words: str) -> Any:
        return self.home.place(node).run([sys.executable, "-m", module, *words])

    def _await(self, running: Any, word: str) -> None:
        end = self.clock.mono_ns() + 60 * 10**9
        while word not in running.output():
            assert self.clock.mono_ns() < end, running.output()
            sleep_s(0.1)

    def run(self, load: Load) -> Outcome:
        lines = rate_lines(
            "to-provider-edg", UP_BPS, load.queue_s, relay=True, bucket_s=self.home.plan.bucket_s
        )
        for line in lines:
            done = self.home.place("modem").call(["tc", *line.split()])
            assert done.code == 0, done.output
        begin = self.clock.utc_ns()
        place, argv = self._loader(load)
        done = place.call([sys.executable, TOOL, *argv], timeout_s=load.for_s + 120)
        assert done.code == 0, done.output
        sleep_s(AFTER_S)
        data = self.compare(begin)
        agents = {s.partition(">")[0] for s in data["sessions"]}
        return Outcome(
            load=load,
            verdicts=tuple(v for v in data["verdicts"] if v["end_ns"] is None or v["end_ns"] > begin),
            blind_s=min(data["set_aside_s"].get(a, 0.0) for a in agents),
        )

    def _loader(self, load: Load) -> tuple[Place, list[str]]:
        if load.silent:
            depth = load.queue_s * UP_BPS / 8
            octets = [str(round(depth * share)) for share in (0.5, 0.95)]
            return self.home.place("modem"), [
                "stand",
                EDGE,
                str(PORT),
                *octets,
                str(load.for_s),
                str(load.seed),
            ]
        words = [str(load.streams), str(load.for_s), str(load.on_s), str(load.off_s), load.control]
        return self.home.place(load.host), ["home", SINK, str(PORT), *words]

    def compare(self, begin_ns: int) -> dict[str, Any]:
        """What `whichhop compare` says of the time from BEFORE_S ahead of a load on."""
        start = datetime.fromtimestamp(begin_ns / 1e9 - BEFORE_S, UTC).isoformat(timespec="seconds")
        words = ["compare", str(self.file), "--json", "--store", str(self.folder / "collected.db")]
        argv = [sys.executable, "-m", "whichhop", *words, "--from", start.replace("+00:00", "Z")]
        done = self.home.place("study").call(argv, timeout_s=200)
        assert done.code == 0, done.output
        found: dict[str, Any] = json.loads(done.output[done.output.index("{") :])
        return found

    def rest(self) -> None:
        """Quiet until a comparison that begins after the last load has enough of it.

        A window more, as the span's first window is taken whole and must not reach into that load.
        """
        sleep_s(BEFORE_S - AFTER_S + WINDOW_S)


@contextmanager
def filled_uplink(folder: Path) -> Iterator[FilledUplink]:
    home = check_home(load_yaml(TEXT, "(Alder House, 40 Mbit/s up)"))
    scenario = Scenario(name="alder", home=home, natures=ordinary_natures(home), faults=(), seconds=120.0)
    with EmulatedHome(scenario) as built:
        yield FilledUplink(built, folder)
