"""The agent as shipped, as processes of their own on loopback addresses."""

import base64
import contextlib
import json
import shlex
import signal
import socket
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from support.need import need_program, need_root
from whichhop.app.agents.agents_fetch import AgentsFetch
from whichhop.config.keys import create_key, derive_keys, read_key
from whichhop.errors import RemoteError
from whichhop.net.clock import SystemClock, sleep_s
from whichhop.store.store import Store
from whichhop.wire.packed import unpack

pytestmark = [pytest.mark.slow, pytest.mark.waits]

CLOCK = SystemClock()
HOME = """\
home: Loopback House
nodes:
  router: {{kind: router, address: 127.0.77.1}}
  desk:   {{kind: host, address: 127.0.77.20, agent: true}}
  study:  {{kind: host, address: 127.0.77.30, agent: true}}
links:
  - {{join: [desk, router], kind: wired}}
  - {{join: [study, router], kind: wired}}
ports: {{api: {api}, stamp: {stamp}, tls: {tls}}}
"""


def free_port(kind: socket.SocketKind) -> int:
    with socket.socket(socket.AF_INET, kind) as sock:
        sock.bind(("127.0.77.20", 0))
        return int(sock.getsockname()[1])


class Agents:
    """A home of two agents in a folder; starts and ends them."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.file = folder / "home.yaml"
        self.api = free_port(socket.SOCK_STREAM)
        self.tls = free_port(socket.SOCK_STREAM)
        stamp = free_port(socket.SOCK_DGRAM)
        self.file.write_text(HOME.format(api=self.api, stamp=stamp, tls=self.tls))
        create_key(folder / "home.key")
        self.running: dict[str, subprocess.Popen[str]] = {}

    def start(self, node: str, *words: str) -> "subprocess.Popen[str]":
        argv = [sys.executable, "-m", "whichhop", "run", str(self.file), "--node", node]
        store = words or ("--store", str(self.folder / f"{node}.db"))
        with (self.folder / f"{node}.log").open("w") as log:
            process = subprocess.Popen([*argv, *store], stderr=log, text=True)
        self.running[node] = process
        return process

    def log(self, node: str) -> str:
        return (self.folder / f"{node}.log").read_text()

    def wait_for(self, node: str, words: str, seconds: float = 60) -> None:
        end = CLOCK.mono_ns() + seconds * 1e9
        while words not in self.log(node):
            assert CLOCK.mono_ns() < end, self.log(node)
            sleep_s(0.05)

    def refused(self, node: str, *words: str) -> str:
        process = self.start(node, *words)
        assert process.wait(60) == 2, self.log(node)
        return self.log(node)

    def get(self, path: str, *, token: str = "", node: str = "desk") -> bytes:
        address = {"desk": "127.0.77.20", "study": "127.0.77.30"}[node]
        request = urllib.request.Request(f"http://{address}:{self.api}{path}")
        if token:
            request.add_header("Authorization", f"Bearer {token}")
        with urllib.request.urlopen(request, timeout=20) as answer:
            return bytes(answer.read())


@pytest.fixture
def agents(tmp_path: Path) -> Iterator[Agents]:
    made = Agents(tmp_path)
    yield made
    for process in made.running.values():
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        process.wait()


def packets(text: str, name: str, **wanted: str) -> dict[str, float]:
    """The agent's count of a name, by target."""
    return {
        sample.labels["target"]: sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
        if sample.name == f"whichhop_packets_{name}_total" and wanted.items() <= sample.labels.items()
    }


def test_two_agents_measure_each_other_reload_and_stop_with_everything_on_disk(agents: Agents) -> None:
    # One after the other: what desk asks before study is up counts as sent, and lost.
    for node in ("study", "desk"):
        agents.start(node)
        agents.wait_for(node, "2 sessions, metrics on")
    end = CLOCK.mono_ns() + 60e9
    # Loopback picks 127.0.0.1 as the source, which the home file does not name: as a machine's second
    # address is, it is refused, told so, and nothing counts as lost.
    while packets(agents.get("/metrics").decode(), "refused", reason="address").get("study", 0) < 3:
        assert CLOCK.mono_ns() < end
        sleep_s(0.2)
    assert packets(agents.get("/metrics").decode(), "sent")["study"] == 0
    page = agents.get("/").decode()
    assert "The agent on desk measures, but does not compare." in page
    assert f'href="http://127.0.77.30:{agents.api}/"' in page
    assert '<th scope="row">study</th>' in page

    # Open minutes need the home's token, and hold what has been measured so far.
    token = derive_keys(read_key(agents.folder / "home.key")).api_token
    with pytest.raises(urllib.error.HTTPError, match="426"):
        agents.get("/api/open", token=token)  # in the clear to nobody
    tls = f"https://127.0.77.20:{agents.tls}"
    keys = derive_keys(read_key(agents.folder / "home.key"))
    ask = AgentsFetch(plain={tls: ("desk", f"http://127.0.77.20:{agents.api}")}, keys=keys)
    with pytest.raises(RemoteError, match="401"):
        ask(f"{tls}/api/open", "")
    newest = ask(f"{tls}/api/open?unanswered=lost", token).splitlines()
    assert all(json.loads(line)["record"] for line in newest)
    lines = [json.loads(line) for line in ask(f"{tls}/api/open", token).splitlines()]
    opened = [r for line in lines for r in unpack(base64.b64decode(line["record"]))]
    assert {r.session.target for r in opened} == {"router", "study"}

    # A broken home file is told and left aside; a sound one is taken over without a restart.
    sound = agents.file.read_text()
    agents.file.write_text(sound.replace("kind: router", "kind: ruoter"))
    agents.running["desk"].send_signal(signal.SIGHUP)
    agents.wait_for("desk", "did you mean 'router'?")
    assert agents.running["desk"].poll() is None
    agents.file.write_text(sound.replace("address: 127.0.77.1}", "room: hall}"))
    agents.running["desk"].send_signal(signal.SIGHUP)
    agents.wait_for("desk", "home file read again: 1 sessions")

    for node in ("desk", "study"):
        agents.running[node].send_signal(signal.SIGTERM)
    for node in ("desk", "study"):
        assert agents.running[node].wait(60) == 0
        assert "stopped" in agents.log(node)
    with Store.open(agents.folder / "desk.db", read_only=True) as store:
        kept = {str(k): sum(len(r.samples) for r in store.session_records(k)) for k in store.sessions()}
        assert all(not report.trouble for report in store.verify())
    assert kept["desk>study:stamp"] >= 3
    assert kept["desk>router:echo"] >= 3


def test_a_port_that_is_taken_is_one_line_with_the_remedy(agents: Agents) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.77.20", agents.api))
        taken.listen()
        log = agents.refused("desk")
    assert len(log.strip().splitlines()) == 1
    assert str(agents.api) in log
    assert "ports.api" in log


def test_the_reflectors_port_that_is_taken_is_one_line_with_the_remedy(agents: Agents) -> None:
    stamp = int(agents.file.read_text().rpartition("stamp: ")[2].partition(",")[0])
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
        taken.bind(("127.0.77.20", stamp))
        log = agents.refused("desk")
    assert len(log.strip().splitlines()) == 1
    assert str(stamp) in log


def test_a_store_that_cannot_be_written_is_one_line(agents: Agents) -> None:
    blocked = agents.folder / "a-file"
    blocked.write_text("")
    log = agents.refused("desk", "--store", str(blocked / "x" / "desk.db"))
    assert len(log.strip().splitlines()) == 1
    assert "desk.db" in log or "a-file" in log
    log = agents.refused("desk", "--store", str(agents.file))
    assert "not a whichhop store" in log


def test_a_node_without_an_agent_and_a_missing_key_say_what_to_do(agents: Agents) -> None:
    log = agents.refused("router")
    assert "no agent runs on 'router'" in log
    assert "desk, study" in log
    (agents.folder / "home.key").unlink()
    log = agents.refused("desk")
    assert "whichhop setup" in log
    assert len(log.strip().splitlines()) == 1


def test_a_machine_that_refuses_icmp_says_how_to_allow_it(agents: Agents) -> None:
    need_root()
    setpriv, unshare = need_program("setpriv"), need_program("unshare")
    # A network namespace of its own, where by default nobody may open datagram ICMP sockets (icmp, 7), and
    # no CAP_NET_RAW for raw ones.
    words = shlex.join([sys.executable, "-m", "whichhop", "run", str(agents.file), "--node", "desk"])
    drop = f"{setpriv} --bounding-set=-net_raw --inh-caps=-net_raw"
    script = f"ip link set dev lo up && exec {drop} {words} --store {agents.folder}/d.db"
    done = subprocess.run(
        [unshare, "--net", "sh", "-c", script], capture_output=True, text=True, timeout=30, check=False
    )
    assert done.returncode == 2, done.stderr
    assert "ping_group_range" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
