"""Error of STAMP round trips on a clean veth, cores busy and idle, beside user-space timing of it."""

import json
import os
import statistics
import subprocess
import sys
from collections.abc import Iterator
from contextlib import nullcontext
from pathlib import Path

from bench.busy import busy_cores
from bench.figure import Figure
from support.veth import Pair, veth_pair

SECONDS = 20.0
PORT = "8862"


def measure(pair: Pair, seconds: float = SECONDS) -> dict[str, list[int]]:
    """Round trips in ns by way of timing."""
    top = Path(__file__).parents[1]
    env = {**os.environ, "PYTHONPATH": os.pathsep.join([str(top), *filter(None, sys.path)])}
    child = [sys.executable, "-m", "bench.probe_child"]
    with subprocess.Popen(
        pair.inside(pair.far, *child, "reflect", pair.far_v4, PORT),
        env=env,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as far:
        assert far.stdout is not None
        assert far.stdout.readline() == "ready\n"
        near = subprocess.run(
            pair.inside(pair.near, *child, "ask", pair.far_v4, PORT, str(seconds)),
            env=env,
            capture_output=True,
            text=True,
            timeout=seconds * 3 + 30,
            check=True,
        )
        assert far.stdin is not None
        far.stdin.close()
        far.wait(timeout=10)
    return {name: list(rtts) for name, rtts in json.loads(near.stdout).items()}


def p99(values: list[float]) -> float:
    """Type 1 quantile: the value that 99 % are not above."""
    ordered = sorted(values)
    return ordered[max(0, -(-99 * len(ordered) // 100) - 1)]


def run() -> Iterator[Figure]:
    for cores, while_measured in (("busy", busy_cores), ("idle", nullcontext)):
        with veth_pair() as pair, while_measured():
            rtts = measure(pair)
        yield from _figures(rtts, cores)


def _figures(rtts: dict[str, list[int]], cores: str) -> Iterator[Figure]:
    # Truth: the path alone, all four stamps by the kernel, at its median; a few us on a veth.
    truth_us = statistics.median(rtts["follow-up"]) / 1000
    error = {n: p99([abs(r / 1000 - truth_us) for r in values]) for n, values in rtts.items()}
    beside = {
        "truth": round(truth_us, 2),
        "user-space": round(error["user-space"], 1),
        "samples": float(len(rtts["kernel"])),
    }
    for name, target in (("kernel", 15.0), ("follow-up", 5.0)):
        value = round(error[name], 2)
        yield Figure(
            bench="rtt-error",
            value=value,
            unit=f"us, {'with' if name == 'follow-up' else 'without'} follow-up telemetry, cores {cores}",
            target=target,
            ok=value <= target,
            beside={
                **beside,
                "median": round(statistics.median(rtts[name]) / 1000, 2),
                "p99": round(p99([r / 1000 for r in rtts[name]]), 2),
            },
        )
