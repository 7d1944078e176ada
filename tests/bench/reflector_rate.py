"""Packets a second of one core that our reflector answers, beside a C reflector compiled here and now."""

import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

from bench.compiled import compiled
from bench.figure import Figure

SECONDS = "4"
ROUNDS = 3


def spent_s(pid: int) -> float:
    """Processor time of a process so far, its own and the kernel's for it (man proc_pid_stat, 5)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def rate(reflector: Sequence[str], port: int, tool: str) -> float:
    """Answers a second of the reflector's own processor time, so that a busy machine does not count.

    Reflector and flood are pinned to different cores where there are two.
    """
    cores = sorted(os.sched_getaffinity(0))
    top = Path(__file__).parents[1]
    env = {**os.environ, "PYTHONPATH": os.pathsep.join([str(top), *filter(None, sys.path)])}
    with subprocess.Popen(
        reflector, env=env, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as running:
        try:
            assert running.stdout is not None
            assert running.stdout.readline() == "ready\n"
            os.sched_setaffinity(running.pid, {cores[0]})
            before = spent_s(running.pid)
            flood = subprocess.run(
                ["taskset", "-c", str(cores[-1]), tool, "flood", str(port), SECONDS],
                capture_output=True,
                text=True,
                check=True,
                timeout=60,
            )
            return int(flood.stdout) / (spent_s(running.pid) - before)
        finally:
            running.kill()


def run() -> Iterator[Figure]:
    ours: list[float] = []
    theirs: list[float] = []
    with tempfile.TemporaryDirectory() as folder:
        tool = compiled("reflector", folder)
        child = [sys.executable, "-m", "bench.probe_child", "reflect", "127.0.0.1"]
        for turn in range(ROUNDS):  # in turn, so that the machine's moods meet both
            theirs.append(rate([tool, str(9862 + turn)], 9862 + turn, tool))
            ours.append(rate([*child, str(9962 + turn)], 9962 + turn, tool))
    mine, c = sorted(ours)[ROUNDS // 2], sorted(theirs)[ROUNDS // 2]
    value = round(mine / c, 3)
    yield Figure(
        bench="reflector-rate",
        value=value,
        unit="of the C reflector",
        target=0.6,
        ok=value >= 0.6,
        beside={"packets-per-core-second": round(mine), "c-packets-per-core-second": round(c)},
    )
