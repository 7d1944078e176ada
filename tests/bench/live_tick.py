"""What one live tick costs while a fault goes on: processor time, databases opened, source files passed."""

import resource
import statistics
import sys
import tempfile
from collections.abc import Iterable
from pathlib import Path
from types import FrameType
from typing import Any

from bench.figure import Figure
from paper_home.paper import prepare
from paper_home.records import readings_of_run, records_of_run
from support.paper import alder_house
from whichhop.app.live.live_comparison import LiveComparison
from whichhop.compare.windows.table import TICK_NS
from whichhop.lab.scenario import Effect, Fault
from whichhop.model import Cause
from whichhop.model.units import NS_PER_MINUTE
from whichhop.store.store import Store

HOURS = 3
FAULT_S = 1800.0
TICKS = 30
START_NS = 1_772_388_000 * 10**9
TARGET_S = 0.2
"""A fiftieth of a tick: an agent on the same machine must stay punctual."""


def run() -> Iterable[Figure]:
    """Median processor time of a tick; beside it what the tick opened and passed through."""
    seconds = HOURS * 3600.0
    fault = Fault(
        at_s=seconds - FAULT_S,
        for_s=FAULT_S,
        element="attic/router",
        cause=Cause.BACKHAUL,
        effect=Effect(delay_s=0.05, loss_ratio=0.05),
    )
    run = prepare(alder_house(seconds=seconds, faults=(fault,)), seed=4)
    records, readings = list(records_of_run(run, START_NS)), list(readings_of_run(run, START_NS))
    end_ns = START_NS + int(seconds) * 10**9
    opened: list[str] = []
    sys.addaudithook(lambda event, args: opened.append(str(args[0])) if event == "sqlite3.connect" else None)
    passed: set[str] = set()

    def call(frame: FrameType, event: str, arg: Any) -> None:
        name = frame.f_code.co_filename
        if event == "call" and "/whichhop/" in name and name.endswith(".py"):
            passed.add(name)

    with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "live.db") as store:
        store.append_all(records, readings)
        live = LiveComparison(run.scenario.home, store)
        first = end_ns - (TICKS + 2) * TICK_NS
        live.turn(first)
        took = []
        opened.clear()
        for tick in range(1, TICKS + 1):
            began = _cpu_s()
            live.turn(first + tick * TICK_NS)
            took.append(_cpu_s() - began)
        databases = len(opened)
        sys.setprofile(call)
        live.turn(end_ns - TICK_NS)
        sys.setprofile(None)
        going_on = sum(v.end_ns is None for v in live.told)
    minutes = (end_ns - START_NS) // NS_PER_MINUTE
    value = statistics.median(took)
    yield Figure(
        bench="live-tick",
        value=value,
        unit="s",
        target=TARGET_S,
        ok=value <= TARGET_S,
        beside={
            "worst": max(took),
            "databases_opened_a_tick": databases / TICKS,
            "source_files_passed": len(passed),
            "minutes_before": minutes,
            "faults_going_on": going_on,
        },
    )


def _cpu_s() -> float:
    usage = resource.getrusage(resource.RUSAGE_SELF)
    return usage.ru_utime + usage.ru_stime
