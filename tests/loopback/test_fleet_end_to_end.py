"""Agents, their queues, remote write, a real server, `homes`: an injected fault comes out at the end."""

import json
import os
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from support import registry
from support.loopback_home import LoopbackHome
from support.metrics_history import Receiver, receiver
from support.need import need_program
from whichhop.cli import main
from whichhop.net.clock import SystemClock, sleep_s

pytestmark = [pytest.mark.slow, pytest.mark.waits]
pytest.importorskip("google.protobuf", reason="the extra fleet is not installed")
NAMES = ["desk", "study", "attic"]
QUIET_S = 20.0
SOON = "import whichhop.daemon.fleet.fleet_writer as f; f.TURN_S = 2.0"
LOSS = """table ip lossy {
  chain c {
    type filter hook input priority 0
    meta l4proto { icmp, udp } numgen random mod 100 < 30 drop
  }
}
"""
"""Of all that passes, as a home's router loses it. Where it arrives: the kernel tells a sender of what is
dropped on its way out, and nothing is lost then."""


@pytest.fixture
def home(tmp_path: Path) -> Iterator[LoopbackHome]:
    made = LoopbackHome(tmp_path)
    yield made
    made.end()


def test_a_fault_is_named_from_a_server_that_was_away_at_first(
    home: LoopbackHome, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    if os.fstat(registry._network[0]).st_ino == Path("/proc/self/ns/net").stat().st_ino:
        pytest.skip("needs a network of its own, as root")
    with receiver(tmp_path) as server:
        home.write(NAMES, f"fleet: {{write: '{server.write}'}}")
        begun_ns = SystemClock().utc_ns()
        for node in NAMES:
            home.start(node, code=SOON)
        home.wait(lambda: SystemClock().utc_ns() > begun_ns + QUIET_S * 1e9)
        # Nobody is at the address: told once, counted, kept on disk.
        home.wait_for("desk", "it is tried again")
        assert home.health()["in_trouble"] == ["fleet-server"]
        for node in NAMES:
            home.wait(lambda at=node: sum(home.metric(at, "fleet_samples_waiting").values()) > 0)
        there_ns = SystemClock().utc_ns()
        server.begin()
        for node in NAMES:
            home.reload(node)
        subprocess.run([need_program("nft"), "-f", "-"], input=LOSS, text=True, check=True)
        try:
            fault = named(server, home, capsys)
        finally:
            subprocess.run([need_program("nft"), "delete", "table", "ip", "lossy"], check=True)
        assert fault["elements"] == ["node:router"]
        # No window is missing, though the first were measured before there was a server.
        rows = server.query("whichhop_window_answered_packets[1h]", SystemClock().utc_ns() / 1e9)
        told = {(row["metric"]["agent"], round(float(at))) for row in rows for at, _ in row["values"]}
        for node in NAMES:
            ends = sorted(at for agent, at in told if agent == node)
            assert ends == list(range(ends[0], ends[-1] + 1, 10))
            assert ends[0] < there_ns / 1e9


def named(server: Receiver, home: LoopbackHome, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    """The fault that `homes` names, once it does."""
    folder = home.folder / "homes"
    folder.mkdir()
    (folder / "loopback.yaml").write_text(home.file.read_text())
    for _ in range(30):
        sleep_s(2)
        main(["homes", "--prometheus", server.base, "--judge", str(folder), "--hours", "0.1", "--json"])
        (row,) = json.loads(capsys.readouterr().out)
        if row["faults"]:
            return dict(row["faults"][0])
    raise AssertionError(row)
