"""Our own transfers in a quiet home of real packets are no episode; a line fault around one is found."""

import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from bench.figure import Figure
from support.running_home import RunningHome, running_home
from whichhop.lab.scenario import Effect, FaultWay
from whichhop.lab.standard_home import HOME_FILE
from whichhop.model import Cause
from whichhop.net.clock import sleep_s

LINE = "modem/provider-edge"
QUIET_S, AFTER_S, FAULT_S = 50.0, 40.0, 35.0
TURNS = (("study", "harbour"), ("desk", "attic"), ("study", "harbour"), ("attic", "router"))
TEXT = HOME_FILE + "limits: {daily_transfer_mb: 4000}\n"


def verdicts(home: RunningHome, from_ns: int) -> list[dict[str, Any]]:
    start = datetime.fromtimestamp(from_ns / 1e9, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    store = ("--store", str(home.folder / "collected.db"))
    found: list[dict[str, Any]] = home.data("compare", *store, "--from", start)["verdicts"]
    return found


def run() -> Iterator[Figure]:
    with (
        tempfile.TemporaryDirectory() as folder,
        running_home(Path(folder), TEXT, check=True) as home,
    ):
        begin = home.clock.utc_ns()
        sleep_s(QUIET_S)
        filled = 0
        for agent, other_end in TURNS:
            filled += len(home.data("transfer", agent, other_end, "--anyway"))
        sleep_s(AFTER_S)
        found = verdicts(home, begin)
        yield Figure(
            bench="own-transfers",
            value=len(found),
            unit=f"episodes in a quiet home during {filled} directions of our own transfers",
            target=0,
            ok=not found,
            beside={"provider-blamed": sum(v["cause"] == Cause.UPSTREAM_LINK for v in found)},
        )
        begin = home.clock.utc_ns()
        sleep_s(QUIET_S)
        with home.home.faulty(LINE, Effect(delay_s=0.08, jitter_s=0.01, way=FaultWay.UP)):
            sleep_s(FAULT_S)
            home.data("transfer", "study", "harbour", "--anyway")
            sleep_s(FAULT_S)
        sleep_s(AFTER_S)
        found = verdicts(home, begin)
        right = [v for v in found if v["cause"] == Cause.UPSTREAM_LINK and LINE in v["elements"]]
        yield Figure(
            bench="own-transfers",
            value=len(right),
            unit="faults of the line found around a transfer of ours",
            target=1,
            ok=len(right) == len(found) == 1,
            beside={"verdicts": len(found)},
        )
