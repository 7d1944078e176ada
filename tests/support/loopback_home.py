"""A small home on loopback addresses, its agents as processes of their own, and what they say."""

import contextlib
import json
import os
import resource
import signal
import socket
import subprocess
import sys
import urllib.request
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from prometheus_client.parser import text_string_to_metric_families

from whichhop.app.agents.agents_fetch import AgentsFetch
from whichhop.config.keys import PurposeKeys, create_key
from whichhop.net.clock import SystemClock, sleep_s

CLOCK = SystemClock()
STARTED = "sessions, metrics on"
ADDRESS = {"desk": "127.0.81.20", "study": "127.0.81.30", "attic": "127.0.0.1"}
"""Wherever on loopback it goes, a packet comes from 127.0.0.1: in a home with the attic all are answered, and
in one without it none, as a stranger's."""


def free_port(kind: socket.SocketKind = socket.SOCK_STREAM) -> int:
    with socket.socket(socket.AF_INET, kind) as sock:
        sock.bind((ADDRESS["desk"], 0))
        return int(sock.getsockname()[1])


def _by_label(item: tuple[str, str]) -> tuple[bool, bool, str]:
    """Target and method first, then the others by name."""
    return item[0] != "target", item[0] != "method", item[0]


class LoopbackHome:
    """A home file with its key in a folder. `write` changes the file, `start` runs an agent of it."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.file, self.key = folder, folder / "home.yaml", folder / "home.key"
        self.api, self.stamp, self.transfer = free_port(), free_port(socket.SOCK_DGRAM), free_port()
        self.tls = free_port()
        create_key(self.key)
        self.running: dict[str, subprocess.Popen[str]] = {}
        self.write(["desk", "study", "attic"])

    def write(self, agents: Iterable[str], more: str = "") -> None:
        names = list(agents)
        lines = ["home: Loopback House", "nodes:", "  router: {kind: router, address: 127.0.81.1}"]
        lines += [f"  {n}: {{kind: host, address: {ADDRESS[n]}, agent: true}}" for n in names]
        lines += ["links:", *(f"  - {{join: [{n}, router], kind: wired}}" for n in names)]
        ports = {"api": self.api, "stamp": self.stamp, "transfer": self.transfer, "tls": self.tls}
        self.file.write_text("\n".join([*lines, f"ports: {json.dumps(ports)}", more, ""]))

    def start(
        self, node: str, *, descriptors: int | None = None, code: str = "", file: Path | None = None
    ) -> "subprocess.Popen[str]":
        """Run an agent; code: done in its process before it begins. file: another copy of the home file."""
        words = ["run", str(file or self.file), "--node", node, "--store", str(self.store(node))]
        program = f"import sys\n{code}\nfrom whichhop.cli import main\nsys.exit(main({words!r}))"

        def limit() -> None:
            if descriptors is not None:
                resource.setrlimit(resource.RLIMIT_NOFILE, (descriptors, descriptors))

        log_file = self.folder / f"{node}.log"
        log_file.touch()
        already = self.log(node).count(STARTED)
        with log_file.open("a") as log:
            process = subprocess.Popen(
                [sys.executable, "-c", program],
                stderr=log,
                text=True,
                preexec_fn=limit,  # noqa: PLW1509 - no threads here
            )
        self.running[node] = process
        self.wait(lambda: self.log(node).count(STARTED) > already, node=node)
        return process

    def store(self, node: str) -> Path:
        return self.folder / f"{node}.db"

    def log(self, node: str) -> str:
        return (self.folder / f"{node}.log").read_text()

    def wait_for(self, node: str, words: str, seconds: float = 60) -> None:
        self.wait(lambda: words in self.log(node), seconds, node)

    def wait(self, true: Any, seconds: float = 60, node: str = "desk") -> None:
        end = CLOCK.mono_ns() + seconds * 1e9
        while not true():
            assert CLOCK.mono_ns() < end, self.log(node)
            sleep_s(0.05)

    def reload(self, node: str, words: str = "home file read again") -> None:
        already = self.log(node).count(words)
        self.running[node].send_signal(signal.SIGHUP)
        self.wait(lambda: self.log(node).count(words) > already, node=node)

    def get(self, node: str, path: str) -> bytes:
        with urllib.request.urlopen(f"http://{ADDRESS[node]}:{self.api}{path}", timeout=10) as answer:
            return bytes(answer.read())

    def ask(self, node: str, path: str, keys: PurposeKeys) -> bytes:
        """What an agent answers in TLS to who shows the home's token."""
        tls = f"https://{ADDRESS[node]}:{self.tls}"
        agents = AgentsFetch(plain={tls: (node, f"http://{ADDRESS[node]}:{self.api}")}, keys=keys)
        return agents(f"{tls}{path}", keys.api_token)

    def health(self, node: str = "desk") -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.get(node, "/health"))
        return found

    def metric(self, node: str, name: str) -> dict[tuple[str, ...], float]:
        """A metric's values by its labels' values, but for the agent's own name and the home's."""
        return {
            tuple(
                v for k, v in sorted(sample.labels.items(), key=_by_label) if k not in ("agent", "home")
            ): sample.value
            for family in text_string_to_metric_families(self.get(node, "/metrics").decode())
            for sample in family.samples
            if sample.name == f"whichhop_{name}"
        }

    def sent(self, node: str = "desk") -> float:
        return sum(self.metric(node, "packets_sent_total").values())

    def answered(self, node: str, target: str, method: str = "stamp") -> float:
        """Packets of a session that were answered so far."""
        return self.metric(node, "round_trip_seconds_count").get((target, method), 0)

    def measures_on(self, node: str = "desk", seconds: float = 60) -> None:
        """More packets go out and come back than have so far."""
        before = self.metric(node, "round_trip_seconds_count")
        self.wait(
            lambda: sum(self.metric(node, "round_trip_seconds_count").values()) > sum(before.values()) + 2,
            seconds,
            node,
        )

    def stop(self, node: str) -> int:
        self.running[node].send_signal(signal.SIGTERM)
        return self.running.pop(node).wait(30)

    def kill(self, node: str) -> None:
        os.kill(self.running[node].pid, signal.SIGKILL)
        self.running.pop(node).wait(30)

    def end(self) -> None:
        for process in self.running.values():
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            process.wait()
