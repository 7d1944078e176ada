"""`whichhop status` asks real agents on loopback."""

import json
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from support.ports import free_tcp_port, free_udp_port
from whichhop.cli import main
from whichhop.config.keys import create_key
from whichhop.net.clock import SystemClock, sleep_s

pytestmark = [pytest.mark.slow, pytest.mark.waits]

CLOCK = SystemClock()
HOME = """\
home: Loopback House
nodes:
  router: {{kind: router, address: 127.0.81.1}}
  desk:   {{kind: host, address: 127.0.81.20, agent: true}}
  study:  {{kind: host, address: 127.0.81.30, agent: true}}
links:
  - {{join: [desk, router], kind: wired}}
  - {{join: [study, router], kind: wired}}
ports: {{api: {api}, stamp: {stamp}, transfer: {transfer}}}
limits: {{daily_transfer_mb: 1500}}
"""


def test_a_young_home_is_told_on_one_screen_with_who_answers_and_what_is_left(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home = tmp_path / "home.yaml"
    text = HOME.format(api=free_tcp_port(), stamp=free_udp_port(), transfer=free_tcp_port())
    home.write_text(text)
    create_key(tmp_path / "home.key")
    whichhop = [sys.executable, "-m", "whichhop"]
    agent = subprocess.Popen(
        [*whichhop, "run", str(home), "--node", "desk", "--store", str(tmp_path / "desk.db")],
        stderr=subprocess.DEVNULL,
    )

    def status(*words: str) -> tuple[int, str, str]:
        code = main(["status", str(home), "--store", str(tmp_path / "kept.db"), *words])
        said = capsys.readouterr()
        return code, said.out, said.err

    try:
        end = CLOCK.mono_ns() + 60 * 10**9
        # Until the first ten seconds were measured there is nothing to say, in one clear line.
        while (told := status())[0] == 2:
            assert "nothing was measured in the last hour" in told[2].splitlines()[-1]
            assert CLOCK.mono_ns() < end
            sleep_s(2.0)
        data = json.loads(status("--json")[1])
    finally:
        agent.send_signal(signal.SIGTERM)
        assert agent.wait(20) == 0
    lines = told[1].splitlines()
    assert len(lines) <= 24
    assert max(map(len, lines)) <= 80
    assert lines[0].startswith("Loopback House, ")
    # On a machine that is busy for its first minute every window is set aside, and that is said then.
    assert "Still learning what is usual" in told[1] or "Not determined now" in told[1]
    assert "desk answers" in told[1]
    assert "study does not answer: http://127.0.81.30" in told[1]
    assert "1500 of 1500 MB left" in told[1]
    assert data["answers"]["desk"] == ""
    assert {k["name"] for k in data["bulletin"]["links"]} == {"desk/router", "study/router"}
