"""A home of four namespaces with real agents in it, to which anything may be done."""

import contextlib
import json
import os
import re
import signal
import subprocess
import sys
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from msgspec import Struct

from support.namespaces import V4, Path4, four_nodes
from support.need import need_program
from whichhop.config.keys import create_key
from whichhop.model import Fate
from whichhop.net.clock import SystemClock, sleep_s
from whichhop.store.store import Store

CLOCK = SystemClock()
STARTED = "sessions, metrics on"
PLACE = {"desk": "host", "router": "router", "harbour": "far"}
"""Which namespace each agent lives in."""
HOME = """\
home: Campaign House
plan: {{down_mbps: 100, up_mbps: 20}}
nodes:
  router: {{kind: router, address: {router}, agent: true}}
  desk: {{kind: host, address: {desk}, agent: true}}
links:
  - {{join: [desk, router], kind: wired}}
  - {{join: [router, provider-edge], kind: access, medium: fibre}}
targets:
  provider-edge: discover
  peers: {{harbour: {{address: 203.0.113.2, stamp: true, clients: [192.0.2.0/24, 198.51.100.0/30]}}}}
  resolvers: {{names: 203.0.113.1}}
  lookup: harbour.example
"""
LOST = (Fate.LOST, Fate.LOST_OUT, Fate.LOST_BACK)


class Kept(Struct, frozen=True):
    """A packet's record in a store."""

    session: str
    sent_ns: int
    fate: Fate


class House:
    """`start` runs an agent; `end` removes everything."""

    def __init__(self, path: Path4, folder: Path) -> None:
        self.path, self.folder = path, folder
        self.file = folder / "home.yaml"
        self.write()
        create_key(folder / "home.key")
        self.running: dict[str, subprocess.Popen[bytes]] = {}
        self.mounts: dict[str, subprocess.Popen[bytes]] = {}
        self.with_router = True
        """Whether the router's agent runs before the desk's does."""

    def write(self, **addresses: str) -> None:
        known = {"router": V4["router"], "desk": V4["host"]} | addresses
        self.file.write_text(HOME.format(**known))

    # -- agents

    def start(self, node: str, *more: str, code: str = "", wait: bool = True, zone: str = "UTC") -> None:
        if node == "desk" and self.with_router and not self.alive("router"):
            self.start("router")
        words = ["run", str(self.file), "--node", node, "--store", str(self.store(node)), *more]
        program = f"import sys\n{code}\nfrom whichhop.cli import main\nsys.exit(main({words!r}))"
        already = self.log(node).count(STARTED)
        argv = self.path.argv(PLACE[node], [sys.executable, "-c", program])
        if node in self.mounts:
            argv = ["nsenter", "-t", str(self.mounts[node].pid), "-m", *argv]
        with (self.folder / f"{node}.log").open("ab") as log:
            self.running[node] = subprocess.Popen(
                argv, stderr=log, stdout=log, env=os.environ | {"TZ": zone}, start_new_session=True
            )
        if wait:
            started = self.running[node]
            self.wait(lambda: self.log(node).count(STARTED) > already or started.poll() is not None, 60, node)
            if started.poll() is not None:
                raise TimeoutError(f"{node} did not start: {self.log(node)[-600:]}")

    def pid(self, node: str) -> int:
        return self.running[node].pid

    def alive(self, node: str) -> bool:
        return node in self.running and self.running[node].poll() is None

    def signal(self, node: str, number: int) -> None:
        os.kill(self.pid(node), number)

    def kill(self, node: str) -> None:
        self.signal(node, signal.SIGKILL)
        self.running.pop(node).wait(30)

    def stop(self, node: str) -> int:
        self.signal(node, signal.SIGTERM)
        try:
            return self.running.pop(node).wait(40)
        finally:
            self.copy_out(node)

    def log(self, node: str) -> str:
        file = self.folder / f"{node}.log"
        return file.read_text(errors="replace") if file.exists() else ""

    def wait(self, true: Callable[[], object], seconds: float = 30, node: str = "desk") -> bool:
        """Whether it came true in time; a start that does not is the campaign's own end."""
        end = CLOCK.mono_ns() + seconds * 1e9
        while not true():
            if CLOCK.mono_ns() > end:
                raise TimeoutError(f"nothing within {seconds:g} s; {node} said: {self.log(node)[-600:]}")
            sleep_s(0.1)
        return True

    def came(self, true: Callable[[], object], seconds: float) -> bool:
        with contextlib.suppress(TimeoutError):
            return self.wait(true, seconds)
        return False

    # -- what they say

    def get(self, node: str, path: str, address: str | None = None) -> bytes:
        where = address or {"desk": V4["host"], "router": V4["router"], "harbour": V4["far"]}[node]

        def ask() -> bytes:
            with urllib.request.urlopen(f"http://{where}:8620{path}", timeout=10) as answer:
                return bytes(answer.read())

        return self.path.inside(PLACE[node], ask)

    def health(self, node: str = "desk", address: str | None = None) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.get(node, "/health", address))
        return found

    def answered(self, node: str = "desk", address: str | None = None) -> float:
        text = self.get(node, "/metrics", address).decode()
        return sum(
            float(n) for n in re.findall(r"^whichhop_round_trip_seconds_count\{.*\} (\S+)", text, re.M)
        )

    def measures(self, seconds: float = 25, node: str = "desk", address: str | None = None) -> bool:
        """Whether more packets come back than have so far."""

        def more() -> bool:
            with contextlib.suppress(OSError):
                return self.answered(node, address) > before + 3
            return False

        before = 0.0
        with contextlib.suppress(OSError):
            before = self.answered(node, address)
        return self.came(more, seconds)

    # -- what is left

    def store(self, node: str) -> Path:
        return (self.folder / "disk" if node in self.mounts else self.folder) / f"{node}.db"

    def kept(self, node: str = "desk") -> list[Kept]:
        """All packets in an agent's store, by time; its chain holds."""
        with Store.open(self.folder / f"{node}.db", read_only=True) as store:
            troubles = [report.trouble for report in store.verify() if report.trouble]
            assert not troubles, troubles
            found = [
                Kept(f"{k.target}:{k.method}", at, Fate(fate))
                for k in store.sessions()
                for r in store.session_records(k)
                for at, fate in zip(r.samples.sent_ns, r.samples.fate, strict=True)
            ]
        return sorted(found, key=lambda one: one.sent_ns)

    # -- a disk of its own

    def small_disk(self, node: str, octets: int) -> None:
        """A file system in a mount namespace, which only this agent sees."""
        folder = self.folder / "disk"
        folder.mkdir(exist_ok=True)
        mount = f"mount -t tmpfs -o size={octets} none {folder} && echo ready && exec sleep 3600"
        holder = subprocess.Popen(["unshare", "-m", "sh", "-c", mount], stdout=subprocess.PIPE)
        assert holder.stdout is not None
        with holder.stdout as said:
            assert said.readline() == b"ready\n"
        self.mounts[node] = holder

    def on_disk(self, node: str, *argv: str, check: bool = True) -> None:
        inside = ["nsenter", "-t", str(self.mounts[node].pid), "-m", *argv]
        subprocess.run(inside, check=check, capture_output=True)

    def copy_out(self, node: str) -> None:
        if node in self.mounts:
            self.on_disk(node, "sh", "-c", f"cp {self.folder}/disk/{node}.db* {self.folder}/")

    # -- the network

    def ip(self, node: str, *words: str) -> None:
        subprocess.run(["ip", "-n", self.path.names[node], *words], check=True, capture_output=True)

    def reload(self, node: str) -> bool:
        words = ("home file read again", "was not taken over")
        already = sum(self.log(node).count(w) for w in words)
        self.signal(node, signal.SIGHUP)
        return self.came(lambda: sum(self.log(node).count(w) for w in words) > already, 40)

    def end(self) -> None:
        for process in (*self.running.values(), *self.mounts.values()):
            with contextlib.suppress(ProcessLookupError):
                os.kill(process.pid, signal.SIGCONT)
                process.kill()
            process.wait()
        self.running.clear()
        self.mounts.clear()


@contextmanager
def names_server(path: Path4) -> Iterator[None]:
    argv = ["--keep-in-foreground", "--no-resolv", "--no-hosts", "--conf-file=/dev/null", "--pid-file"]
    argv += ["--address=/harbour.example/203.0.113.9", "--local=/example/", "--user=root"]
    with path.program("edge", need_program("dnsmasq"), *argv):
        yield


@contextmanager
def network() -> Iterator[Path4]:
    """The namespaces of a whole campaign."""
    with ExitStack() as stack:
        yield stack.enter_context(four_nodes())


@contextmanager
def house(path: Path4, folder: Path) -> Iterator[House]:
    folder.mkdir(parents=True)
    made = House(path, folder)
    try:
        yield made
    finally:
        made.end()
