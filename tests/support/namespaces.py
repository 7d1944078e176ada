"""A small path of network namespaces for the probes' tests: host, router, edge and far, joined by veth."""

import asyncio
import concurrent.futures
import contextlib
import itertools
import os
import socket
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from ipaddress import ip_network
from pathlib import Path
from typing import TypeVar

from msgspec import Struct

from support.need import need_program, need_root
from whichhop.lab.build import kernel
from whichhop.net.clock import SystemClock
from whichhop.probes.admission import Admission
from whichhop.probes.kinds.stamp_reflector import StampReflector
from whichhop.wire.ntp64 import ErrorEstimate, estimate_error

T = TypeVar("T")
NODES = ("host", "router", "edge", "far")
# RFC 5737 and RFC 3849 addresses
V4 = {"host": "192.0.2.20", "router": "192.0.2.1", "edge": "198.51.100.1", "far": "203.0.113.2"}
V6 = {"router": "2001:db8::1", "edge": "2001:db8:1::1", "far": "2001:db8:2::2"}
_WIRES = (
    ("host", "router", "192.0.2.20/24", "192.0.2.1/24", "2001:db8::20/64", "2001:db8::1/64"),
    ("router", "edge", "198.51.100.2/30", "198.51.100.1/30", "2001:db8:1::2/64", "2001:db8:1::1/64"),
    ("edge", "far", "203.0.113.1/30", "203.0.113.2/30", "2001:db8:2::1/64", "2001:db8:2::2/64"),
)
_DEFAULTS = {
    "host": ("192.0.2.1", "2001:db8::1"),
    "router": ("198.51.100.1", "2001:db8:1::1"),
    "edge": ("198.51.100.2", "2001:db8:1::2"),
    "far": ("203.0.113.1", "2001:db8:2::1"),
}
EVERYONE = [ip_network("0.0.0.0/0"), ip_network("::/0")]
_numbers = itertools.count()


def within(network: Path, work: Callable[[], T]) -> T:
    """Do something in a thread that lives in the network namespace of a file; its sockets belong there.

    A program started there for one question would spend a tenth of a second on being started.
    """

    def enter() -> T:
        with network.open() as there:
            kernel.set_namespace(there.fileno(), kernel.CLONE_NEWNET)
        return work()

    # A thread of its own, which ends here: it must not go on in another namespace than the process.
    with concurrent.futures.ThreadPoolExecutor(max_workers=1) as alone:
        return alone.submit(enter).result()


def _must(argv: list[str], text: str | None = None) -> str:
    done = subprocess.run(argv, input=text, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{argv}: {done.stderr}"
    return done.stdout


class Path4(Struct, frozen=True):
    """The four namespaces; every packet stays inside them."""

    names: dict[str, str]

    def argv(self, node: str, argv: list[str]) -> list[str]:
        """A command as it runs in a node."""
        return ["ip", "netns", "exec", self.names[node], *argv]

    def run(self, node: str, *argv: str, text: str | None = None) -> str:
        """Run a command in a node to its end; its output."""
        return _must(self.argv(node, list(argv)), text)

    def rules(self, node: str, hook: str, *rules: str) -> None:
        """Replace a node's packet rules, all at one hook: "input", "forward" or "output"."""
        lines = [
            "flush ruleset",
            "table inet t {",
            f"chain c {{ type filter hook {hook} priority mangle",
            *rules,
            "}",
            "}",
        ]
        self.run(node, need_program("nft"), "-f", "-", text="\n".join(lines) + "\n")

    @contextmanager
    def program(self, node: str, *argv: str) -> Iterator["subprocess.Popen[str]"]:
        """A program that runs in a node for the length of a block."""
        with subprocess.Popen(self.argv(node, list(argv)), stdout=subprocess.PIPE, text=True) as running:
            try:
                yield running
            finally:
                running.terminate()

    def inside(self, node: str, work: Callable[[], T]) -> T:
        """Do something in a thread that lives in a node's namespace; its sockets belong there."""
        return within(Path("/run/netns", self.names[node]), work)


def _build(names: dict[str, str]) -> None:
    for name in names.values():
        # Before any device: its link-local address would be tentative for a second or two (RFC 4862 5.4), and
        # until then no router could ask for a neighbour.
        dad = [f"net.ipv6.conf.{which}.accept_dad=0" for which in ("all", "default")]
        _must(["ip", "netns", "exec", name, "sysctl", "-qw", *dad])
        _must(["ip", "-n", name, "link", "set", "dev", "lo", "up"])
    for near, far, near4, far4, near6, far6 in _WIRES:
        # devices are called after the node at their other end
        ends = f"dev {far} netns {names[near]} type veth peer name {near} netns {names[far]}"
        _must(["ip", "link", "add", *ends.split()])
        for node, device, four, six in ((near, far, near4, near6), (far, near, far4, far6)):
            lines = (
                f"address add {four} dev {device}\naddress add {six} dev {device} nodad\n"
                f"link set dev {device} up\n"
            )
            _must(["ip", "-n", names[node], "-batch", "-"], lines)
        for node, device in ((near, far), (far, near)):
            # The kernel takes note of a new carrier once a second, or when somebody asks for the one device.
            _must(["ip", "-n", names[node], "link", "show", "dev", device])
    for node, (four, six) in _DEFAULTS.items():
        _must(["ip", "-n", names[node], "-batch", "-"], f"route add default via {four}\n")
        _must(["ip", "-6", "-n", names[node], "-batch", "-"], f"route add default via {six}\n")
        settings = ["net.ipv4.ip_forward=1", "net.ipv6.conf.all.forwarding=1"]
        # Linux limits its ICMP errors by default; tests that want that switch it on
        settings += ["net.ipv4.icmp_ratelimit=0", "net.ipv6.icmp.ratelimit=0"]
        settings += ["net.ipv4.ping_group_range=0 2147483647"]
        _must(["ip", "netns", "exec", names[node], "sysctl", "-qw", *settings])


def _reach(address: str) -> None:
    with contextlib.suppress(ConnectionRefusedError), socket.create_connection((address, 9), timeout=5):
        pass


@contextmanager
def four_nodes() -> Iterator[Path4]:
    """Build the path; skip without root. Everything is removed at the end."""
    need_root()
    need_program("ip")
    need_program("nft")
    mark = f"wh{os.getpid()}n{next(_numbers)}"
    names = {node: f"{mark}-{node}" for node in NODES}
    made: list[str] = []
    try:
        for name in names.values():
            _must(["ip", "netns", "add", name])
            made.append(name)
        _build(names)
        path = Path4(names)
        for target in (V4["far"], V6["far"]):
            # neighbours are asked for once here, which is no part of any test
            path.inside("host", lambda target=target: _reach(target))  # type: ignore[misc]
        yield path
    finally:
        for name in made:
            subprocess.run(["ip", "netns", "del", name], check=False)


def estimate() -> ErrorEstimate:
    return estimate_error(1_000_000, synced=True)


@contextmanager
def stamp_reflector(path: Path4, bind: str) -> Iterator[int]:
    """Our reflector in the far node, in a loop of its own; its port."""
    started, stop = threading.Event(), threading.Event()
    ports: list[int] = []

    async def serve() -> None:
        made = StampReflector(SystemClock(), Admission(EVERYONE), estimate, bind=bind, port=0)
        made.open(asyncio.get_running_loop())
        ports.append(made.port)
        started.set()
        while not stop.is_set():
            await asyncio.sleep(0.01)
        made.close()

    thread = threading.Thread(target=lambda: path.inside("far", lambda: asyncio.run(serve())))
    thread.start()
    try:
        assert started.wait(20)
        yield ports[0]
    finally:
        stop.set()
        thread.join()
