"""An agent whose home file says `discover` finds the provider's first hop and measures it from then on."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from support.homes import ALDER_TEXT
from support.namespaces import V4, Path4
from whichhop.config.keys import create_key
from whichhop.net.clock import SystemClock, sleep_s

pytestmark = [pytest.mark.lab, pytest.mark.slow, pytest.mark.waits]
CLOCK = SystemClock()


def test_the_edge_is_found_told_and_measured(path: Path4, tmp_path: Path) -> None:
    text = ALDER_TEXT.replace("203.0.113.7", V4["far"])
    home = tmp_path / "home.yaml"
    home.write_text(text.replace("provider-edge: 198.51.100.1", "provider-edge: discover"))
    create_key(tmp_path / "home.key")
    store = tmp_path / "desk.db"
    argv = [sys.executable, "-m", "whichhop", "run", str(home), "--node", "desk", "--store", str(store)]
    log = tmp_path / "log"
    with log.open("w") as out, subprocess.Popen(path.argv("host", argv), stderr=out) as agent:
        end = CLOCK.mono_ns() + 90 * 10**9
        while f"the provider's first hop is {V4['edge']}, 2 steps" not in log.read_text():
            assert CLOCK.mono_ns() < end, log.read_text()
            sleep_s(0.1)
        sleep_s(4)
        agent.terminate()
        assert agent.wait(20) == 0, log.read_text()
    export = [sys.executable, "-m", "whichhop", "records", "export", "--store", str(store)]
    done = subprocess.run(export, capture_output=True, text=True, check=True)
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    answered = [x for x in lines if x.get("target") == "provider-edge" and x.get("rtt_s") is not None]
    assert len(answered) >= 2, log.read_text()
