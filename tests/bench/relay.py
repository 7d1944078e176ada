"""How exact and how fast the emulated home's relay is: a yardstick must be known itself."""

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from bench.figure import Figure
from whichhop.lab.check import streams
from whichhop.lab.emulated_home import EmulatedHome
from whichhop.lab.scenario import LinkNature, Scenario
from whichhop.lab.standard_home import alder_home

FLOW = str(Path(__file__).parents[1] / "support" / "flow.py")
LINK = "desk/attic"
DELAY_S = 0.010
PACKETS = 1000


def errors_us(home: EmulatedHome) -> list[float]:
    """What each packet was late beyond the 10 ms asked, one way, in us, both directions together."""
    jobs = [j for j in streams.jobs(home.scenario, home.plan, home.spaces) if j["name"].startswith(LINK)]
    asked = json.dumps({"jobs": [{**j, "count": PACKETS} for j in jobs], "blast_s": 0.1})
    done = home.place(None).call([sys.executable, "-m", "whichhop.lab.check.streams", asked], 60)
    found = json.loads(done.output.splitlines()[-1])
    return [ns / 1e3 - DELAY_S * 1e6 for seen in found.values() for ns in seen["delays_ns"]]


def tcp_bps(home: EmulatedHome, device: str) -> float:
    """What one TCP stream from desk to harbour gets, counted at a device of harbour's side."""
    sink = home.place("harbour").run([sys.executable, FLOW, "stream-in", "4001"])
    while "ready" not in sink.output():
        assert sink.poll() is None
    source = home.place("desk").run([sys.executable, FLOW, "stream-out", "198.51.100.7", "4001", "5"])
    meter = home.place("harbour").run([sys.executable, FLOW, "bytes-in", device, "1.0", "3.0"])
    assert meter.wait(20) == 0
    source.stop()
    sink.stop()
    return float(meter.output()) * 8


def run() -> Iterator[Figure]:
    """One-way error idle and with every core busy; TCP through the four relays of the way out."""
    delayed = Scenario(name="error", home=alder_home(), natures={LINK: LinkNature(delay_s=DELAY_S)})
    with EmulatedHome(delayed, check=False) as home:
        idle = errors_us(home)
        hogs = [
            subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(os.cpu_count() or 1)
        ]
        try:
            busy = errors_us(home)
        finally:
            for hog in hogs:
                hog.kill()
                hog.wait()
        for name, seen, target in (("idle", idle, 300.0), ("busy", busy, 1000.0)):
            p50, p99 = (float(x) for x in np.percentile(seen, [50, 99]))
            yield Figure(
                bench=f"relay-error-{name}",
                value=round(p99, 1),
                unit="us",
                target=target,
                ok=p99 <= target,
                beside={"p50": round(p50, 1), "max": round(max(seen), 1), "real_time": float(home.real_time)},
            )
    plain = Scenario(name="rate", home=alder_home(), natures={})
    with EmulatedHome(plain, check=False) as home:
        four = tcp_bps(home, "to-beyond") / 1e6
    yield Figure(bench="relay-rate-four", value=round(four, 1), unit="Mbit/s", target=200.0, ok=four >= 200.0)
