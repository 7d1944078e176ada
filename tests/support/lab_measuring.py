"""Two agents' measuring halves on desk and attic of the emulated home, and the relay's own count as truth."""

import base64
import itertools
import json
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from msgspec import Struct, field

from whichhop.lab.emulated_home import EmulatedHome
from whichhop.lab.faults import between
from whichhop.lab.links.fault_words import parse_effect
from whichhop.lab.scenario import LinkNature, Scenario
from whichhop.lab.standard_home import alder_home
from whichhop.model import Fate, Record
from whichhop.net.clock import SystemClock, sleep_s
from whichhop.stats.loss import LossCount, count
from whichhop.stats.measure import Measure
from whichhop.stats.measures import measures
from whichhop.wire.packed import unpack

LINK = "desk/attic"
ATTIC = "192.0.2.2"
BASE_S = 0.002
"""The healthy link's delay, each way."""
STILL_S = 2.5
"""Two reports' longest distance and some."""
TESTS = Path(__file__).parents[1]


class Seen(Struct, frozen=True, kw_only=True):
    """One session: the agent's records and figures, and per way what the relay did to its packets."""

    records: list[Record]
    up: dict[str, int]
    down: dict[str, int]
    rows: dict[str, Measure] = field(default_factory=dict)

    @property
    def fates(self) -> LossCount:
        return count(f for r in self.records for f in r.samples.fate)

    @property
    def not_sent(self) -> int:
        return sum(f == Fate.NOT_SENT for r in self.records for f in r.samples.fate)

    @property
    def samples(self) -> int:
        return sum(len(r.samples) for r in self.records)


def lost(way: dict[str, int]) -> int:
    """Packets that the relay dropped on one way, for whatever reason."""
    return sum(n for name, n in way.items() if name.startswith("lost"))


class Measuring:
    """The home with both halves running in it."""

    def __init__(self, home: EmulatedHome, folder: Path) -> None:
        self.home, self._folder = home, folder
        self._numbers = itertools.count()
        env = {**os.environ, "PYTHONPATH": os.pathsep.join([str(TESTS), *filter(None, sys.path)])}
        child = [sys.executable, "-m", "support.lab_agent"]
        far = home.place("attic").run([*child, "reflect", ATTIC], env)
        near = home.place("desk").run([*child, "measure", str(folder), ATTIC], env)
        for one in (far, near):
            self._until(lambda one=one: "ready" in one.output(), one.output)  # type: ignore[misc]
        self._near = near
        self._calm()

    def _calm(self) -> None:
        """Wait until the machines have told their multicast groups, which the relay would count too.

        RFC 3810 9.1 and 9.11 (from memory): each report goes twice, the second within a second.
        """
        before = self.home.counts()
        end = SystemClock().mono_ns() + 30e9
        while True:
            sleep_s(STILL_S)
            now = self.home.counts()
            if now == before:
                return
            assert SystemClock().mono_ns() < end, "packets that nobody asked for"
            before = now

    @staticmethod
    def _until(true: object, why: object, seconds: float = 30.0) -> None:
        end = SystemClock().mono_ns() + seconds * 1e9
        while not true():  # type: ignore[operator]
            assert SystemClock().mono_ns() < end, why()  # type: ignore[operator]
            sleep_s(0.01)

    def session(self, *faults: str, gap_s: float = 0.008, seconds: float = 2.0) -> Seen:
        """One session under faults at desk/attic, in the lab's words; the link is as before afterwards."""
        number = next(self._numbers)
        for words in faults:
            self.home.fault(LINK, parse_effect(words))
        before = self.home.counts()
        part = self._folder / f"{number}.asked"
        part.write_text(json.dumps({"gap_s": gap_s, "seconds": seconds}))
        part.rename(self._folder / f"{number}.order")
        done = self._folder / f"{number}.records"
        self._until(done.exists, self._near.output, seconds + 40)
        seen = between(before, self.home.counts())[LINK]
        self.home.clear()
        records = list(unpack(base64.b64decode(done.read_bytes())))
        rows = {row.name: row for row in measures(records)}
        return Seen(records=records, up=seen["up"], down=seen["down"], rows=rows)


@contextmanager
def measuring(folder: Path, *, seed: int = 7) -> Iterator[Measuring]:
    """Alder House with a plain 2 ms hop between desk and attic, and the two halves at its ends."""
    natures = {LINK: LinkNature(delay_s=BASE_S)}
    orders, run = folder / "orders", folder / "run"
    orders.mkdir()
    run.mkdir()
    scenario = Scenario(name="measures", home=alder_home(), natures=natures)
    with EmulatedHome(scenario, seed=seed, check=False, base=run) as home:
        yield Measuring(home, orders)
