"""Alder House's recorded samples through the real exporters, scraped by a real Prometheus server."""

import json
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from urllib.parse import quote, urlsplit

from msgspec.structs import replace

from support.agent_server import serving
from support.bulletins import calm, told
from support.channels import down, reading, up
from support.need import need_program
from support.ports import free_tcp_port
from support.reported import recorded
from whichhop.lab.standard_home import alder_home
from whichhop.model import Cause, Reading
from whichhop.net.clock import sleep_s
from whichhop.net.http_client import fetch
from whichhop.serve.live import LiveState

TOP = Path(__file__).parents[2]
RULES = TOP / "deploy" / "prometheus"
FEEDS = 8
"""How often the agents' counters move while the server scrapes once a second."""
AGENTS = ("router", "attic", "desk", "study")


class Scraped:
    """A running server that has scraped all agents."""

    def __init__(self, port: int) -> None:
        self.base = f"http://127.0.0.1:{port}"

    def query(self, expression: str) -> list[dict[str, dict[str, str]]]:
        body = json.loads(fetch(f"{self.base}/api/v1/query?query={quote(expression)}"))
        assert body["status"] == "success"
        return list(body["data"]["result"])

    def answer(self, expression: str) -> list[dict[str, dict[str, str]]]:
        """The same, asked again for a while: on a busy machine a scrape may fail, and its series pause."""
        for _ in range(60):
            if found := self.query(expression):
                return found
            sleep_s(0.5)
        return []


def _feed(lives: dict[str, LiveState], turn: int) -> None:
    """One more part of what was recorded, as the daemons would count it."""
    records, readings = recorded("upstream-link")
    for record in records:
        live = lives[record.session.agent]
        part = [s for i, s in enumerate(record.samples) if i % FEEDS == turn]
        for sample in part:
            live.observe(record.session, sample)
        live.kept([replace(record, samples=type(record.samples).of(part))], [])
    for agent, live in lives.items():
        mine = [r for r in readings if r.agent == agent]
        live.kept([], mine[turn * len(mine) // FEEDS : (turn + 1) * len(mine) // FEEDS])
        live.values.update(store_bytes=2e6, store_writable=1, transfer_refusals=0)
        # What transfers, call streams, routes and the modem would tell; the comparer's answer is the story's.
        figures = {
            "call_rating:harbour": 88.0 - turn,
            "call_opinion_score:harbour": 4.2,
            "transfer_out_rate_bps:harbour": 18e6,
            "transfer_back_rate_bps:harbour": 91e6,
            "transfer_out_added_delay_s:harbour": 0.09,
            "transfer_back_added_delay_s:harbour": 0.02,
            "route_changed:harbour": 1.0 if turn == 0 else 0.0,
        }
        at = 1_767_268_800 * 10**9
        live.kept([], [Reading(at_ns=at, agent=agent, name=n, value=v) for n, v in figures.items()])
        live.values["clock_steps"] = float(turn > 2)
    passed = 1e7 * (1 + turn)
    lives["router"].values.update(wan_received_bytes=passed, wan_transmitted_bytes=passed / 8)
    channels = [
        down(1, unerrored=99_000 * (turn + 1), corrected=900 * (turn + 1), uncorrectable=100 * (turn + 1)),
        up(1, t3_timeouts=turn, t4_timeouts=0),
    ]
    lives["router"].modems["modem"] = reading(channels, at_s=1_767_268_800.0)
    lives["router"].faults = {link.name: 0.01 for link in alder_home().links} | {
        "modem/provider-edge": 0.2 + 0.1 * turn
    }
    line = told(Cause.UPSTREAM_LINK, ("modem/provider-edge",), 0.9, hours=0.2, minutes=None)
    lives["router"].judged = replace(calm(), told=(line,) if turn else (), steps=("Ask the provider.",))


def _config(folder: Path, targets: list[str], rules: list[str]) -> Path:
    """The shipped scrape configuration and rules, at a test's pace and with a test's addresses."""
    text = (TOP / "deploy" / "prometheus.yml").read_text()
    given = '["192.0.2.2:8620", "192.0.2.20:8620", "192.0.2.30:8620"]'
    assert given in text
    text = text.replace(given, json.dumps(targets)).replace(": 15s", ": 1s")
    for name in rules:
        assert f"- prometheus/{name}" in text
        text = text.replace(f"prometheus/{name}", name)
        (folder / name).write_text((RULES / name).read_text().replace("interval: 5m", "interval: 1s"))
    config = folder / "prometheus.yml"
    config.write_text(text)
    return config


@contextmanager
def scraped_home(folder: Path) -> Iterator[Scraped]:
    """A server that has the recorded evening, fed over some seconds; it ends with the block."""
    program, promtool = need_program("prometheus"), need_program("promtool")
    home = alder_home()
    lives = {a: LiveState(home=home.name, agent=a, names=home.nodes) for a in AGENTS}
    with ExitStack() as stack:
        _feed(lives, 0)
        bases = [
            stack.enter_context(serving(folder / f"{a}.db", agent=a, live=live)) for a, live in lives.items()
        ]
        config = _config(folder, [urlsplit(b).netloc for b in bases], ["recording.yml", "alerts.yml"])
        subprocess.run([promtool, "check", "config", str(config)], check=True, capture_output=True)
        port = free_tcp_port()
        server = subprocess.Popen(
            [
                program,
                f"--config.file={config}",
                f"--storage.tsdb.path={folder / 'data'}",
                f"--web.listen-address=127.0.0.1:{port}",
                f"--web.console.templates={RULES / 'consoles'}",
            ],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            found = Scraped(port)
            _wait(found, f"count(up == 1) == {len(AGENTS)}")
            for turn in range(1, FEEDS):
                _feed(lives, turn)
                sleep_s(1.1)
            _wait(found, "home_agent_target_method:whichhop_added_latency_seconds:p50_5m")
            yield found
        finally:
            server.terminate()
            server.wait(20)


def _wait(found: Scraped, expression: str) -> None:
    """Ask until there is an answer; bounded."""
    for _ in range(200):
        try:
            if found.query(expression):
                return
        except Exception:  # noqa: BLE001 - it is not up yet
            pass
        sleep_s(0.2)
    raise AssertionError(f"the server never had an answer for {expression}")
