"""An agent that also compares, as shipped: what it kept of a fault shows in its metrics and its bulletin."""

import json
import signal
import socket
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

import msgspec
import pytest
from msgspec import structs
from msgspec.structs import replace
from prometheus_client.parser import text_string_to_metric_families

from whichhop.compare.windows.table import TICK_NS
from whichhop.config.keys import create_key
from whichhop.errors import INSTALL_COMPARER
from whichhop.lab.demo.run import recorded_folder
from whichhop.lab.standard_home import HOME_FILE
from whichhop.model import Columns, Reading, Record, Sample, SessionKey
from whichhop.model.bulletin import Bulletin, LinkState
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S
from whichhop.net.clock import SystemClock, sleep_s
from whichhop.store.files import read_file
from whichhop.store.store import Store

pytestmark = [pytest.mark.slow, pytest.mark.waits]
CLOCK = SystemClock()


def free_port(kind: socket.SocketKind) -> int:
    with socket.socket(socket.AF_INET, kind) as sock:
        sock.bind(("127.0.78.20", 0))
        return int(sock.getsockname()[1])


def until_later(everything: list[Record | Reading]) -> tuple[list[Record], list[Reading]]:
    """A recording moved so that it ends now, its last ten seconds then repeated for five minutes to come."""
    records = [x for x in everything if isinstance(x, Record)]
    end = max(max(r.samples.sent_ns) for r in records) + 1
    by = CLOCK.utc_ns() - end
    minutes: dict[tuple[SessionKey, int], list[Sample]] = {}
    again = [by + k * TICK_NS for k in range(31)]
    for record in records:
        for sample in record.samples:
            for shift in again if sample.sent_ns >= end - TICK_NS else again[:1]:
                moved = structs.replace(sample, sent_ns=sample.sent_ns + shift)
                minutes.setdefault((record.session, moved.sent_ns // NS_PER_MINUTE), []).append(moved)
    readings = [replace(x, at_ns=x.at_ns + by) for x in everything if isinstance(x, Reading)]
    out = [
        Record(session=k, minute=m, samples=Columns.of(sorted(found, key=lambda s: s.sent_ns)))
        for (k, m), found in minutes.items()
    ]
    return out, readings


class Home:
    """Alder House on loopback, of which one agent runs; the others are down."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.port = folder, free_port(socket.SOCK_STREAM)
        ports = f"ports: {{api: {self.port}, stamp: {free_port(socket.SOCK_DGRAM)}}}\n"
        text = HOME_FILE.replace("192.0.2.0/24", "127.0.78.0/24").replace("192.0.2.", "127.0.78.")
        text = text.replace("203.0.113.1", "127.0.79.1").replace("198.51.100.7", "127.0.79.7")
        self.file = folder / "alder.yaml"
        self.file.write_text(text + ports)
        create_key(folder / "alder.key")
        self.log = folder / "log"

    def start(self, *words: str) -> "subprocess.Popen[str]":
        argv = [sys.executable, "-m", "whichhop", "run", str(self.file), "--node", "desk", *words]
        with self.log.open("w") as log:
            return subprocess.Popen([*argv, "--store", str(self.folder / "desk.db")], stderr=log, text=True)

    def get(self, path: str) -> bytes:
        with urllib.request.urlopen(f"http://127.0.78.20:{self.port}{path}", timeout=20) as answer:
            return bytes(answer.read())


@pytest.fixture
def home(tmp_path: Path) -> Home:
    return Home(tmp_path)


@pytest.fixture
def started(home: Home) -> Iterator[Callable[..., "subprocess.Popen[str]"]]:
    running: list[subprocess.Popen[str]] = []

    def start(*words: str) -> "subprocess.Popen[str]":
        running.append(home.start(*words))
        return running[-1]

    yield start
    for process in running:
        process.kill()
        process.wait()


def wait_for(true: Callable[[], object], home: Home) -> None:
    end = CLOCK.mono_ns() + 150 * NS_PER_S
    while True:
        try:
            if true():
                return
        except urllib.error.URLError:
            pass
        assert CLOCK.mono_ns() < end, home.log.read_text()
        sleep_s(0.2)


def metrics(home: Home, name: str) -> dict[str, float]:
    return {
        sample.labels.get("element") or sample.labels["elements"]: sample.value
        for family in text_string_to_metric_families(home.get("/metrics").decode())
        for sample in family.samples
        if sample.name == f"whichhop_{name}"
    }


def test_a_fault_on_record_shows_in_metrics_and_bulletin_and_the_agent_stays_small(
    home: Home, started: Callable[..., "subprocess.Popen[str]"]
) -> None:
    with Store.open(home.folder / "alder.collected.db") as store:
        store.append_all(*until_later(read_file(recorded_folder() / "backhaul.jsonl.gz")))
    process = started("--compare")
    wait_for(lambda: home.get("/bulletin"), home)
    bulletin = msgspec.json.decode(home.get("/bulletin"), type=Bulletin)
    # The recording's truth is a fault of the attic's backhaul (lab/demo/stories.py), and nothing after it.
    states = {link.name: link.state for link in bulletin.links}
    assert states["attic/router"] is LinkState.AT_FAULT
    assert states["study/router"] is LinkState.NO_FAULT
    assert metrics(home, "fault_probability_ratio")["attic/router"] > 0.9
    assert metrics(home, "ongoing_fault_probability_ratio")["attic/router"] > 0.9
    assert "refused" in {a.name: a.trouble for a in bulletin.agents}["attic"]
    # The daemon itself has not loaded what only the comparer needs.
    maps = Path(f"/proc/{process.pid}/maps").read_text()
    assert "numpy" not in maps
    process.send_signal(signal.SIGTERM)
    assert process.wait(20) == 0
    assert "comparer: stopped" in home.log.read_text()


def test_an_agent_that_was_not_asked_to_compare_says_so(
    home: Home, started: Callable[..., "subprocess.Popen[str]"]
) -> None:
    started()
    wait_for(lambda: home.get("/health"), home)
    with pytest.raises(urllib.error.HTTPError) as refused:
        home.get("/bulletin")
    assert refused.value.code == 404
    assert "run ... --compare" in json.loads(refused.value.read())["error"]


def test_without_the_comparers_libraries_one_line_says_how_to_get_them(
    home: Home, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from whichhop.cli import main
    from whichhop.cli.agents import run

    monkeypatch.setattr(run, "find_spec", lambda name: None)
    words = ["run", str(home.file), "--node", "desk", "--store", str(home.folder / "x.db"), "--compare"]
    assert main(words) == 2
    assert capsys.readouterr().err == (f"run --compare needs numpy and scipy: {INSTALL_COMPARER}\n")
