"""A home on paper as a real Prometheus server keeps it: its agents' exports, scraped and backfilled."""

import json
import subprocess
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from msgspec import Struct
from prometheus_client.utils import floatToGoString

from support.need import need_program
from support.ports import free_tcp_port
from whichhop.errors import RemoteError
from whichhop.model import Reading, Record, Sample, SessionKey
from whichhop.net.clock import SystemClock, sleep_s
from whichhop.net.http_client import fetch
from whichhop.serve.exporter import LiveFamilies
from whichhop.serve.exposition import MetricKind
from whichhop.serve.live import LiveState

NS = 1_000_000_000


class Agent:
    """One agent's export over time, from what it had measured by then."""

    def __init__(self, name: str, home: str, names: Iterable[str]) -> None:
        self.name, self.home, self.names = name, home, list(names)
        self.begin_anew()

    def begin_anew(self) -> None:
        """As after a restart: every counter from nought."""
        self.live = LiveState(home=self.home, agent=self.name, names=self.names)


def scraped(
    agents: dict[str, Agent],
    records: Iterable[Record],
    readings: Iterable[Reading],
    *,
    start_ns: int,
    end_ns: int,
    each_s: float,
    restarts: dict[str, int] | None = None,
    missed: Iterable[tuple[str, int, int]] = (),
) -> dict[str, list[str]]:
    """Lines of OpenMetrics by family. restarts: agent, when. missed: agent, from, to of failed scrapes."""
    samples: list[tuple[int, SessionKey, Sample]] = sorted(
        ((s.sent_ns, r.session, s) for r in records for s in r.samples), key=lambda row: row[0]
    )
    told = sorted(readings, key=lambda r: r.at_ns)
    waiting = dict(restarts or {})
    families: dict[str, list[str]] = {}
    at, one, two = start_ns, 0, 0
    while at <= end_ns:
        for name, when in list(waiting.items()):
            if at >= when:
                agents[name].begin_anew()
                del waiting[name]
        while one < len(samples) and samples[one][0] < at:
            _, key, sample = samples[one]
            agents[key.agent].live.observe(key, sample)
            one += 1
        while two < len(told) and told[two].at_ns <= at:
            agents[told[two].agent].live.kept((), [told[two]])
            two += 1
        for agent in agents.values():
            if not any(n == agent.name and first <= at < last for n, first, last in missed):
                _scrape(agent, at, families)
        at += round(each_s * NS)
    return families


def _scrape(agent: Agent, at_ns: int, families: dict[str, list[str]]) -> None:
    for family in LiveFamilies(agent.live):
        name = family.row.name
        kind = "unknown" if family.row.kind is MetricKind.INFO else family.row.kind
        lines = families.setdefault(name, [f"# TYPE {name} {kind}"])
        for suffix, named, bound, value in family.samples:
            if kind == "unknown":
                continue
            of_bucket = {"le": bound} if bound else {}
            labels = ",".join(f'{k}="{v}"' for k, v in {**named, **of_bucket, "home": agent.home}.items())
            lines.append(f"{name}{suffix}{{{labels}}} {floatToGoString(value)} {at_ns / NS:.3f}")


@contextmanager
def served(folder: Path, families: Iterable[dict[str, list[str]]]) -> Iterator[str]:
    """The base address of a real Prometheus server on loopback that holds these histories."""
    data = folder / "data"
    for number, one in enumerate(families):
        text = folder / f"history-{number}.om"
        text.write_text("\n".join([*(line for lines in one.values() for line in lines), "# EOF\n"]))
        subprocess.run(
            [need_program("promtool"), "tsdb", "create-blocks-from", "openmetrics", str(text), str(data)],
            check=True,
            capture_output=True,
        )
    (folder / "prometheus.yml").write_text("global: {scrape_interval: 1h}\n")
    port = free_tcp_port()
    server = subprocess.Popen(
        [
            need_program("prometheus"),
            f"--config.file={folder / 'prometheus.yml'}",
            f"--storage.tsdb.path={data}",
            "--storage.tsdb.retention.time=100y",
            f"--web.listen-address=127.0.0.1:{port}",
        ],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    base = f"http://127.0.0.1:{port}"
    try:
        _ready(base)
        yield base
    finally:
        server.terminate()
        server.wait(20)


class Receiver(Struct):
    """A real server that takes remote write on loopback, and may be killed and begun again on its data."""

    folder: Path
    port: int
    running: subprocess.Popen[bytes] | None = None
    admin: bool = False

    @property
    def base(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def write(self) -> str:
        return f"{self.base}/api/v1/write"

    def begin(self) -> None:
        """Start; returns once it is ready."""
        (self.folder / "prometheus.yml").write_text(
            "global: {scrape_interval: 1h}\nstorage: {tsdb: {out_of_order_time_window: 3d}}\n"
        )
        self.running = subprocess.Popen(
            [
                need_program("prometheus"),
                f"--config.file={self.folder / 'prometheus.yml'}",
                f"--storage.tsdb.path={self.folder / 'data'}",
                "--web.enable-remote-write-receiver",
                *(["--web.enable-admin-api"] if self.admin else []),
                f"--web.listen-address=127.0.0.1:{self.port}",
            ],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        _ready(self.base)

    def kill(self) -> None:
        """As a power cut ends it."""
        if self.running is not None:
            self.running.kill()
            self.running.wait(20)
            self.running = None

    def query(self, expression: str, at_s: float) -> list[dict[str, Any]]:
        found = json.loads(
            fetch(f"{self.base}/api/v1/query?{urlencode({'query': expression, 'time': at_s})}")
        )
        return list(found["data"]["result"])


@contextmanager
def receiver(folder: Path) -> Iterator[Receiver]:
    """A server that has not begun yet; it ends with the block."""
    made = Receiver(folder, free_tcp_port())
    try:
        yield made
    finally:
        made.kill()


def _ready(base: str) -> None:
    clock = SystemClock()
    end = clock.mono_ns() + 60 * NS
    while True:
        try:
            fetch(f"{base}/-/ready")
            return
        except RemoteError:
            assert clock.mono_ns() < end, "Prometheus did not start"
            sleep_s(0.1)
