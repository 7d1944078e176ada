"""Agents, their queues, remote write, a real server, `homes`: a fault that was injected comes out at the end.

On the way the server is away, refuses the home's token, and calls what comes first out of order; one agent's
owner has named no server.
"""

import json
import os
import subprocess
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from support import registry
from support.loopback_home import ADDRESS, LoopbackHome
from support.metrics_history import Receiver, receiver
from support.need import need_program
from support.ports import free_tcp_port
from whichhop.cli import main
from whichhop.net.clock import SystemClock, sleep_s
from whichhop.net.http_client import HttpClient

pytestmark = [pytest.mark.slow, pytest.mark.waits]
pytest.importorskip("google.protobuf", reason="the extra fleet is not installed")
TOKEN = "K7QF-2M9X"
QUIET_S = 25.0
SOON = "import whichhop.daemon.fleet.fleet_writer as f; f.TURN_S = 2.0"


class Door:
    """What stands before a server of many homes: a token for each; it may refuse what is right as well."""

    def __init__(self, server: Receiver, port: int) -> None:
        self.answered: list[int] = []
        self.refuse = 0
        self._port, self._write = port, server.write
        self._running: ThreadingHTTPServer | None = None

    def open(self) -> None:
        door, client = self, HttpClient(seconds=20, most_octets=10_000, follow=False)

        class Desk(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                status, said = 401, b""
                if self.headers["Authorization"] == f"Bearer {TOKEN}":
                    if door.refuse:
                        door.refuse -= 1
                        status, said = 400, b"out of order sample"
                    else:
                        kept = {k: v for k, v in self.headers.items() if k.startswith(("Content-", "X-"))}
                        status = client.ask(door._write, headers=kept, body=body).status
                door.answered.append(status)
                self.send_response(status)
                self.send_header("Content-Length", str(len(said)))
                self.end_headers()
                self.wfile.write(said)

            def log_message(self, *_: Any) -> None:
                pass

        self._running = ThreadingHTTPServer(("127.0.0.1", self._port), Desk)
        threading.Thread(target=self._running.serve_forever, daemon=True).start()

    def close(self) -> None:
        if self._running is not None:
            self._running.shutdown()
            self._running.server_close()


@pytest.fixture
def home(tmp_path: Path) -> Iterator[LoopbackHome]:
    made = LoopbackHome(tmp_path)
    yield made
    made.end()


def lose_what_goes_to(address: str) -> None:
    """Half of it, in this test's own network alone."""
    # Where it arrives: the kernel tells a sender of what is dropped on its way out, and nothing is lost then.
    rules = [
        "table ip lossy {",
        "chain c { type filter hook input priority 0",
        f"ip daddr {address} numgen random mod 100 < 50 drop",
        "}",
        "}",
    ]
    text = "\n".join(rules) + "\n"
    subprocess.run([need_program("nft"), "-f", "-"], input=text, text=True, check=True)


def test_a_fault_is_named_from_the_server_whatever_the_server_did_before(
    home: LoopbackHome, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    if os.fstat(registry._network[0]).st_ino == Path("/proc/self/ns/net").stat().st_ino:
        pytest.skip("needs a network of its own, as root")
    names, port, token = ["desk", "study", "attic"], free_tcp_port(), tmp_path / "fleet.token"
    token.write_text("another\n")
    token.chmod(0o600)
    home.write(names)
    (tmp_path / "without.yaml").write_text(home.file.read_text())
    (tmp_path / "without.key").write_bytes(home.key.read_bytes())
    (tmp_path / "without.key").chmod(0o600)
    fleet = {"write": f"http://127.0.0.1:{port}/w", "token_file": "fleet.token"}
    home.write(names, f"fleet: {json.dumps(fleet)}")
    begun_ns = SystemClock().utc_ns()
    home.start("attic", code=SOON, file=tmp_path / "without.yaml")
    for node in ("desk", "study"):
        home.start(node, code=SOON)
    with receiver(tmp_path) as server:
        server.begin()
        door = Door(server, port)
        try:
            # Nobody is at the address: told once, counted, kept.
            home.wait(lambda: waiting(home) > 0)
            home.wait_for("desk", "it is tried again")
            assert home.health()["in_trouble"] == ["fleet-server"]
            # Somebody is, and refuses the token: told once more, seen by `status`, kept.
            door.open()
            home.reload("desk")
            home.wait_for("desk", "answered 401")
            assert main(["status", str(home.file)]) == 0
            assert "desk: fleet-server fails, " in capsys.readouterr().out
            assert home.log("desk").count("fleet-server:") == 2
            assert home.metric("desk", "fleet_samples_given_up_total").get((), 0) == 0
            home.wait(lambda: SystemClock().utc_ns() > begun_ns + QUIET_S * 1e9, QUIET_S)
            # Put right; the first request is called out of order, and then the oldest frame of it.
            token.write_text(f"{TOKEN}\n")
            door.refuse = 2
            home.reload("desk")
            home.wait(lambda: waiting(home) < 50)
            home.reload("study")
            home.wait_for("desk", "fleet-server: takes what is written again")
            assert door.answered.count(400) == 2
            assert 401 in door.answered
            lose_what_goes_to(ADDRESS["study"])
            fault = named(server, home, capsys)
            assert any("study" in element for element in fault["elements"])
            told = windows(server)
            assert {agent for agent, _ in told} == {"desk", "study"}
            assert not list(tmp_path.glob("attic*outbox*"))
            # But for the refused frame of desk no window is missing.
            for node in ("desk", "study"):
                ends = sorted(at for agent, at in told if agent == node)
                assert ends == list(range(ends[0], ends[-1] + 1, 10))
                assert ends[0] <= begun_ns / 1e9 + 40
        finally:
            door.close()


def waiting(home: LoopbackHome) -> float:
    return sum(home.metric("desk", "fleet_samples_waiting").values())


def windows(server: Receiver) -> set[tuple[str, int]]:
    rows = server.query("whichhop_window_answered_packets[1h]", SystemClock().utc_ns() / 1e9)
    return {(row["metric"]["agent"], round(float(at))) for row in rows for at, _ in row["values"]}


def named(server: Receiver, home: LoopbackHome, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    """The fault that `homes` names, once it does."""
    folder = home.folder / "homes"
    folder.mkdir()
    (folder / "loopback.yaml").write_text(home.file.read_text())
    for _ in range(60):
        sleep_s(2)
        main(["homes", "--prometheus", server.base, "--judge", str(folder), "--hours", "0.1", "--json"])
        (row,) = json.loads(capsys.readouterr().out)
        if row["faults"]:
            return dict(row["faults"][0])
    raise AssertionError(row)
