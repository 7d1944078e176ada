"""The uplink filled by the home itself, and the same queue with the home silent: what is then said."""

import json
import random
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from paper_home.paper import prepare
from paper_home.records import readings_of_run
from paper_home.table import table_of_run
from support.paper import alder_house
from whichhop.compare.history import judge
from whichhop.config.keys import create_key
from whichhop.lab.emulated_home import EmulatedHome
from whichhop.lab.scenario import Effect, Fault, FaultWay, LinkNature, Quirk, QuirkKind
from whichhop.lab.standard_home import HOME_FILE, alder_scenario
from whichhop.model import Cause, Verdict
from whichhop.model.units import NS_PER_S
from whichhop.net.clock import SystemClock, sleep_s

LINE = "modem/provider-edge"
PROVIDERS = {Cause.UPSTREAM_LINK, Cause.BEYOND}
START_NS = 1_767_268_800 * NS_PER_S
HEAD_S, SECONDS = 1500.0, 2400.0


class Shape(Struct, frozen=True, kw_only=True, dict=True):
    """One run's load: a buffer of `queue_s` at 40 Mbit/s, filled to `share` of the plan for a while."""

    seed: int
    queue_s: float
    at_s: float
    for_s: float
    share: float

    @classmethod
    def drawn(cls, seed: int) -> "Shape":
        dice = random.Random(seed)
        return cls(
            seed=seed,
            queue_s=dice.uniform(0.06, 0.4),
            at_s=HEAD_S + dice.uniform(0, 300),
            for_s=dice.uniform(90, 360),
            share=dice.uniform(0.93, 1.0),
        )


def on_paper(shape: Shape, *, silent: bool = False) -> Sequence[Verdict]:
    """The verdicts of one run; with `silent` the line has the queue though nobody at home sends.

    Less those that name the radio hop of a host that saved power all the while: nature drew that, and half of
    the host's packets do wait there. The suite takes them for right too.
    """
    plain = alder_house(seconds=SECONDS, noise=1.0)
    natures = {
        **plain.natures,
        LINE: LinkNature(delay_s=0.006, rate_bps=500_000_000, rate_up_bps=40_000_000, queue_s=shape.queue_s),
    }
    filled = Quirk(
        at_s=shape.at_s,
        for_s=shape.for_s,
        kind=QuirkKind.TRAFFIC_UP,
        element="own-traffic",
        size=shape.share,
    )
    # A queue that transfers keep stands between half and all of its depth (lab/traffic).
    queued = Fault(
        at_s=shape.at_s,
        for_s=shape.for_s,
        element=LINE,
        cause=Cause.UPSTREAM_LINK,
        effect=Effect(delay_s=shape.queue_s * 0.6, jitter_s=shape.queue_s * 0.15, way=FaultWay.UP),
    )
    scenario = replace(
        plain, natures=natures, quirks=() if silent else (filled,), faults=(queued,) if silent else ()
    )
    run = prepare(scenario, shape.seed)
    table = table_of_run(run, START_NS)
    verdicts = judge(scenario.home, run.sessions, table, readings_of_run(run, START_NS))
    begin, end = (START_NS + round(s * NS_PER_S) for s in (shape.at_s, shape.at_s + shape.for_s))
    dozes = {
        q.element.removeprefix("host:")
        for q in run.quirks
        if q.kind is QuirkKind.POWER_SAVE
        and q.at_s <= shape.at_s
        and q.at_s + q.for_s >= shape.at_s + shape.for_s
    }
    hops = {link.name for link in scenario.home.links if link.near in dozes}
    during = [v for v in verdicts if v.start_ns < end and (v.end_ns is None or v.end_ns > begin)]
    return [v for v in during if v.cause is not Cause.WIRELESS_HOP or not hops.issuperset(v.elements)]


def of_packets(folder: Path, *, quiet_s: float = 45.0, load_s: float = 60.0) -> list[dict[str, Any]]:
    """The verdicts of a real run: agents as shipped, a host that fills Alder House's uplink."""
    sink = str(Path(__file__).with_name("bulk_end.py"))
    with EmulatedHome(alder_scenario()) as home:
        (folder / "alder.yaml").write_text(HOME_FILE)
        create_key(folder / "alder.key")
        agents = {}
        for node in (*(n.name for n in home.scenario.home.agents), *home.scenario.home.peers):
            words = ["run", str(folder / "alder.yaml"), "--node", node, "--store", str(folder / f"{node}.db")]
            agents[node] = home.place(node).run([sys.executable, "-m", "whichhop", *words])
        clock = SystemClock()
        while not all("metrics on" in a.output() for a in agents.values()):
            sleep_s(0.1)
        sleep_s(quiet_s)
        taking = home.place("harbour").run([sys.executable, sink, "receive", "198.51.100.7", "9000", "1"])
        sleep_s(1.0)
        begin = clock.utc_ns()
        # To the end of its time: the sender's own stop at a steady rate is of no use here.
        argv = [sys.executable, sink, "fill", "198.51.100.7", "9000", "1", str(load_s), str(10**12)]
        home.place("study").call(argv, timeout_s=load_s + 30)
        taking.wait(30)
        sleep_s(12.0)
        words = ["compare", str(folder / "alder.yaml"), "--json", "--store", str(folder / "collected.db")]
        done = home.place("study").call([sys.executable, "-m", "whichhop", *words])
        found: list[dict[str, Any]] = json.loads(done.output[done.output.index("{") :])["verdicts"]
        return [v for v in found if v["end_ns"] is None or v["end_ns"] > begin]
