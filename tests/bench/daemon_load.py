"""`whichhop run` with twenty sessions at one packet a second on loopback: its memory and processor time.

Ten nodes on the way out answer echo (this machine's kernel does, at 127/8), ten other agents answer STAMP
in the authenticated mode (a process of reflectors does). A scraper asks for /metrics every 15 s.
"""

import functools
import os
import socket
import subprocess
import sys
import tempfile
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path

from msgspec import Struct

from bench.compiled import compiled
from bench.reflector_rate import spent_s
from whichhop.config.keys import create_key, derive_keys, read_key
from whichhop.net.clock import SystemClock, sleep_s

CLOCK = SystemClock()
DESK = "127.0.78.20"
AGENTS = [f"127.0.78.{n}" for n in range(31, 41)]
HOPS = [f"127.0.78.{n}" for n in range(1, 11)]
WARM_S, COUNT_S, SCRAPE_S = 110.0, 90.0, 15.0
"""At first an agent looks every 5 s for the others, which here are none (daemon/beside/home_news.py)."""


class Load(Struct, frozen=True, kw_only=True):
    """What the daemon took; what is a `core` is a share of one core.

    imported_mb: of its modules alone, in a process of its own; started_mb: once it measures. private_mb: of
    rss_mb what no file holds and no other process shares, so that it is lost to the machine. in_c_core and
    others so named are of prober.c, which sends and times the same packets and no more, beside the daemon.
    core: of the daemon, its children's left out; children are beside. store_core: its part in threads, which
    write the store. http_core: its part for a scrape every 15 s. packets_core: the rest, which is packets and
    the event loop under them. due_per_s: packets that were due, whatever became of them. aside: those of
    them that were set aside or never sent, since the machine did not give the daemon the processor; a
    figure with many of them says more of the machine than of the daemon. wakes_per_s: times it slept and
    woke. disk_mb_a_day: octets handed to the disk (man proc_pid_io, 5), all of a minute's together.
    """

    imported_mb: float
    started_mb: float
    rss_mb: float
    peak_mb: float
    private_mb: float
    core: float
    in_c_core: float
    in_c_mb: float
    in_c_wakes_per_s: float
    children_core: float
    store_core: float
    http_core: float
    due_per_s: float
    aside: float
    wakes_per_s: float
    disk_mb_a_day: float

    @property
    def packets_core(self) -> float:
        return self.core - self.store_core - self.http_core


def home_text(api: int, stamp: int) -> str:
    """A chain of ten hops with the desk at its near end and ten more agents at its far one."""
    hops = [f"hop{n}" for n in range(1, 11)]
    lines = ["home: Loopback House", "nodes:"]
    lines += [
        f"  {name}: {{kind: {'router' if name == 'hop10' else 'mesh-node'}, address: {address}}}"
        for name, address in zip(hops, HOPS, strict=True)
    ]
    lines.append(f"  desk: {{kind: host, address: {DESK}, agent: true}}")
    lines += [f"  a{n}: {{kind: host, address: {ip}, agent: true}}" for n, ip in enumerate(AGENTS)]
    lines.append("links:")
    chain = ["desk", *hops]
    lines += [f"  - {{join: [{a}, {b}], kind: wired}}" for a, b in pairwise(chain)]
    lines += [f"  - {{join: [a{n}, hop10], kind: wired}}" for n in range(len(AGENTS))]
    return "\n".join([*lines, f"ports: {{api: {api}, stamp: {stamp}}}", ""])


def free_port(kind: socket.SocketKind) -> int:
    with socket.socket(socket.AF_INET, kind) as sock:
        sock.bind((DESK, 0))
        return int(sock.getsockname()[1])


@contextmanager
def running(more: str = "") -> Iterator[tuple[int, int, int]]:
    """The daemon's process id, its API's port and that of the others' STAMP, once it measures.

    more: keys to add to its home file.
    """
    top = Path(__file__).parents[1]
    env = {**os.environ, "PYTHONPATH": os.pathsep.join([str(top), *filter(None, sys.path)])}
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        home, key = folder / "home.yaml", folder / "home.key"
        api, stamp = free_port(socket.SOCK_STREAM), free_port(socket.SOCK_DGRAM)
        home.write_text(home_text(api, stamp) + more)
        create_key(key)
        secret = derive_keys(read_key(key)).stamp.hex()
        far = [sys.executable, "-m", "bench.reflectors", secret, str(stamp), *AGENTS]
        near = [sys.executable, "-m", "whichhop", "run", str(home), "--node", "desk"]
        with (
            subprocess.Popen(far, env=env, stdout=subprocess.PIPE, text=True) as others,
            (folder / "log").open("w") as log,
            subprocess.Popen([*near, "--store", str(folder / "desk.db")], stderr=log, text=True) as daemon,
        ):
            try:
                assert others.stdout is not None
                assert others.stdout.readline() == "ready\n"
                end = CLOCK.mono_ns() + 90e9
                while "20 sessions, metrics on" not in (said := (folder / "log").read_text()):
                    assert CLOCK.mono_ns() < end, said
                    sleep_s(0.1)
                yield daemon.pid, api, stamp
            finally:
                daemon.terminate()
                daemon.wait(timeout=20)
                others.kill()


def memory_mb(pid: int) -> tuple[float, float]:
    """Resident memory now and at most so far (man proc_pid_status, 5)."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    kb = {line.split(":")[0]: int(line.split()[1]) for line in lines if line.startswith(("VmRSS", "VmHWM"))}
    return kb["VmRSS"] / 1e3, kb["VmHWM"] / 1e3


def private_mb(pid: int) -> float:
    """Memory of its own alone (man proc_pid_smaps_rollup, 5)."""
    lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    return sum(int(line.split()[1]) for line in lines if line.startswith("Private_Dirty")) / 1e3


def children_s(pid: int) -> float:
    """Processor time of children that have ended."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[13]) + int(fields[14])) / os.sysconf("SC_CLK_TCK")


def scrape(api: int) -> list[str]:
    with urllib.request.urlopen(f"http://{DESK}:{api}/metrics", timeout=60) as answer:
        lines: list[str] = answer.read().decode().splitlines()
    return lines


def packets(api: int) -> tuple[float, float]:
    """Packets due so far, and those of them that were set aside or skipped."""
    lines = scrape(api)

    def total(*kinds: str) -> float:
        names = tuple(f"whichhop_packets_{kind}_total" for kind in kinds)
        return sum(float(line.split()[-1]) for line in lines if line.startswith(names))

    aside = total("not_judged", "skipped")
    return total("sent", "refused") + aside, aside


def thread_s(pid: int) -> float:
    """Processor time of the main thread so far (kernel documentation, scheduler/sched-stats)."""
    return int(Path(f"/proc/{pid}/task/{pid}/schedstat").read_text().split()[0]) / 1e9


def told(file: str, name: str) -> int:
    """A number of one of the /proc files that have a name and a number a line."""
    return next(int(line.split()[1]) for line in Path(file).read_text().splitlines() if line.startswith(name))


def scrape_s(pid: int, api: int) -> float:
    """Processor time of one scrape, beside what goes on meanwhile."""
    before, begun, many = thread_s(pid), CLOCK.mono_ns(), 40
    for _ in range(many):
        scrape(api)
    during, lasted = thread_s(pid) - before, CLOCK.mono_ns() - begun
    before, begun = thread_s(pid), CLOCK.mono_ns()
    sleep_s(10.0)
    quiet = (thread_s(pid) - before) / (CLOCK.mono_ns() - begun)
    return max(0.0, during - quiet * lasted) / many


def imported_mb() -> float:
    """Of a process that has loaded the daemon's modules and does nothing; its bytecode is there by then."""
    code = "import whichhop.daemon.run, whichhop.net.process as p; p.settle_memory();"
    code += "print(next(l for l in open('/proc/self/status') if l.startswith('VmRSS')).split()[1])"
    done = subprocess.run([sys.executable, "-P", "-c", code], capture_output=True, text=True, check=True)
    return int(done.stdout) / 1e3


@contextmanager
def in_c(seconds: float, stamp: int) -> Iterator[subprocess.Popen[str]]:
    """The same packets by a program in C; its rusage is to be read when it has ended."""
    with tempfile.TemporaryDirectory() as folder:
        words = [compiled("prober", folder), f"{seconds:.0f}", str(stamp), *HOPS, "--", *AGENTS]
        with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as program:
            try:
                yield program
            finally:
                program.kill()


@functools.cache
def load() -> Load:
    """Measured once a run of the benches, though two of them ask."""
    with running() as (pid, api, stamp), in_c(WARM_S + COUNT_S + 60, stamp) as program:
        imported, (started, _) = imported_mb(), memory_mb(pid)
        sleep_s(WARM_S)
        (due, aside), begun = packets(api), CLOCK.mono_ns()
        spent, by_children, by_main = spent_s(pid), children_s(pid), thread_s(pid)
        by_c, of_c = thread_s(program.pid), f"/proc/{program.pid}/status"
        woke_c = told(of_c, "voluntary_ctxt_switches")
        io, status = f"/proc/{pid}/io", f"/proc/{pid}/task/{pid}/status"
        written, woke = told(io, "write_bytes"), told(status, "voluntary_ctxt_switches")
        while CLOCK.mono_ns() - begun < COUNT_S * 1e9:
            sleep_s(SCRAPE_S)
            due_then, aside_then = packets(api)
        seconds = (CLOCK.mono_ns() - begun) / 1e9
        by_c = (thread_s(program.pid) - by_c) / seconds
        core, by_main = (spent_s(pid) - spent) / seconds, (thread_s(pid) - by_main) / seconds
        written, woke = told(io, "write_bytes") - written, told(status, "voluntary_ctxt_switches") - woke
        woke_c = told(of_c, "voluntary_ctxt_switches") - woke_c
        now_mb, peak_mb = memory_mb(pid)
        return Load(
            imported_mb=imported,
            started_mb=started,
            in_c_core=by_c,
            in_c_mb=memory_mb(program.pid)[0],
            in_c_wakes_per_s=woke_c / seconds,
            private_mb=private_mb(pid),
            rss_mb=now_mb,
            peak_mb=peak_mb,
            core=core,
            children_core=(children_s(pid) - by_children) / seconds,
            store_core=max(0.0, core - by_main),
            http_core=scrape_s(pid, api) / SCRAPE_S,
            due_per_s=(due_then - due) / seconds,
            aside=(aside_then - aside) / max(due_then - due, 1.0),
            wakes_per_s=woke / seconds,
            disk_mb_a_day=written / seconds * 86_400 / 1e6,
        )
