"""The main job on real packets: `whichhop demo` as a person runs it."""

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from support.need import need_program, need_root
from whichhop.net.clock import SystemClock, sleep_s

pytestmark = [pytest.mark.lab, pytest.mark.slow, pytest.mark.waits]

DEMO = [sys.executable, "-m", "whichhop", "demo"]


def test_a_broken_backhaul_is_named_and_nothing_else() -> None:
    need_root()
    need_program("ip")
    argv = [*DEMO, "--fault", "backhaul", "--json"]
    done = subprocess.run(argv, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    shown = json.loads(done.stdout)
    assert shown["matches"]
    assert not shown["recorded"]
    assert shown["verdict"]["elements"] == ["attic/router"]
    assert shown["seconds"] < 180


def test_an_interrupted_demo_leaves_nothing_behind() -> None:
    need_root()
    need_program("ip")
    process = subprocess.Popen(DEMO, stderr=subprocess.PIPE, text=True, start_new_session=True)
    assert process.stderr is not None
    for line in process.stderr:
        if "measuring the healthy home" in line:
            break
    agents = processes_of(process.pid)
    assert agents, "the agents were running"
    process.send_signal(signal.SIGINT)
    assert process.wait(30) == 130
    process.stderr.close()
    end = SystemClock().mono_ns() + 10_000_000_000
    while any(Path(f"/proc/{pid}").exists() for pid in agents):
        assert SystemClock().mono_ns() < end, agents
        sleep_s(0.1)


def processes_of(pid: int) -> list[int]:
    """Every process below one, by /proc."""
    parents: dict[int, list[int]] = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                parent = int((entry / "stat").read_text().rpartition(")")[2].split()[1])
            except OSError:
                continue
            parents.setdefault(parent, []).append(int(entry.name))
    below, queue = [], [pid]
    while queue:
        for child in parents.get(queue.pop(), []):
            below.append(child)
            queue.append(child)
    assert os.getpid() not in below
    return below
