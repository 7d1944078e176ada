"""Counters over the network: a real SNMP agent and a small UPnP responder of our own on loopback."""

import asyncio
import contextlib
import http.server
import os
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import ClassVar

import pytest
from msgspec import Struct

from support.homes import alder
from support.need import need_program
from support.ports import free_udp_port
from whichhop.daemon.beside.own_traffic import BoxFacts, OwnTraffic
from whichhop.daemon.children import Children
from whichhop.daemon.job_runner import JobRunner, Troubles
from whichhop.model import Reading
from whichhop.model.hop_facts import facts_of
from whichhop.model.levels_source import CounterSource
from whichhop.net.clock import SystemClock, sleep_s
from whichhop.net.host import Host
from whichhop.probes import device_talk

pytestmark = [pytest.mark.slow, pytest.mark.waits]
SERVICE = "urn:schemas-upnp-org:service:WANCommonInterfaceConfig:1"


class Heard:
    """What a run of the daemon's side came to."""

    def __init__(self) -> None:
        self.totals: list[tuple[int, int]] = []
        self.said: list[str] = []
        self.readings: list[Reading] = []


def follow(source: CounterSource, enough: Callable[[Heard], bool], every_s: float = 0.2) -> Heard:
    """Have the daemon's side read a source until it has heard enough."""
    heard = Heard()

    async def run() -> None:
        troubles = Troubles(heard.said.append, lambda _: None)
        jobs = JobRunner(SystemClock(), troubles)
        counters = OwnTraffic(
            Host(),
            SystemClock(),
            lambda _at, received, sent: heard.totals.append((received, sent)),
            troubles=troubles,
            children=Children(jobs, troubles, SystemClock(), heard.said.append),
            every_s=every_s,
            keep=heard.readings.extend,
        )
        box = BoxFacts(agent="desk", box="router", far="modem")
        counters.follow(interface=None, source=source, most_bps=1e9, box=box)
        async with asyncio.timeout(90):
            while not enough(heard):
                await asyncio.sleep(0.05)
        await jobs.close()

    asyncio.run(run())
    return heard


class Agent(Struct, frozen=True):
    """A real SNMP agent, and what the loopback had received before it began: it keeps figures for seconds."""

    port: int
    received_before: int


@pytest.fixture(scope="module")
def agent(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Agent]:
    folder, port = tmp_path_factory.mktemp("snmp"), free_udp_port()
    conf = folder / "snmpd.conf"
    conf.write_text(f"agentaddress udp:127.0.0.1:{port}\nrocommunity alder\ndontLogTCPWrappersConnects yes\n")
    argv = [need_program("snmpd"), "-f", "-Lf", str(folder / "log"), "-C", "-c", str(conf)]
    env = {**os.environ, "SNMP_PERSISTENT_DIR": str(folder)}
    before = Host().counters()["lo"].rx_bytes
    with subprocess.Popen(argv, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as running:
        sleep_s(0.5)
        yield Agent(port, before)
        running.terminate()


def test_a_real_agents_octets_grow_with_the_traffic(agent: Agent) -> None:
    source = CounterSource(address="127.0.0.1", port=agent.port, community="alder", interface="lo")
    heard = follow(source, lambda h: bool(h.totals) and h.totals[-1][0] > 0)
    counted = Host().counters()["lo"].rx_bytes - agent.received_before
    assert heard.totals[0] == (0, 0)
    # The questions themselves cross the loopback: what the agent counted is part of what the kernel did.
    assert 0 < heard.totals[-1][0] <= counted


def test_a_real_agents_uptime_and_errors_come_with_the_counts(agent: Agent) -> None:
    source = CounterSource(address="127.0.0.1", port=agent.port, community="alder", interface="lo")
    heard = follow(source, lambda h: any(r.name == "port_errors:router/modem" for r in h.readings), 0.1)
    *_, hop, own = facts_of(alder(), heard.readings)
    uptime_s = Host().uptime_s()
    assert uptime_s is not None
    # snmpd's hrSystemUptime is the machine's own, in hundredths.
    assert own.node_uptime_s is None or abs(own.node_uptime_s - uptime_s) < 60
    assert (hop.link, hop.box, hop.port_errors, hop.port_carrier_changes) == ("router/modem", "router", 0, 0)
    # The loopback is no Ethernet port, so RFC 3635 has nothing of it.
    assert hop.port_full_duplex is None
    first = next(r for r in heard.readings if r.name.startswith("node_uptime_s"))
    assert first.name == "node_uptime_s:router"


def test_an_interface_that_is_not_there_is_told_with_those_that_are(agent: Agent) -> None:
    source = CounterSource(address="127.0.0.1", port=agent.port, community="alder", interface="moon0")
    heard = follow(source, lambda h: bool(h.said))
    assert "no interface 'moon0'; there are: " in heard.said[0]
    assert "lo" in heard.said[0]


def test_garbage_from_an_snmp_port_is_one_line_and_counting_goes_on() -> None:
    import socket

    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as answering:
        answering.bind(("127.0.0.1", 0))
        answering.settimeout(0.1)
        ending = threading.Event()

        def babble() -> None:
            while not ending.is_set():
                with contextlib.suppress(TimeoutError):
                    _, who = answering.recvfrom(2000)
                    answering.sendto(b"\x30\x03garbage", who)

        thread = threading.Thread(target=babble)
        thread.start()
        source = CounterSource(address="127.0.0.1", port=answering.getsockname()[1], interface="wan0")
        try:
            heard = follow(source, lambda h: bool(h.said))
        finally:
            ending.set()
            thread.join()
    assert "own traffic is not counted until it answers" in heard.said[0]
    assert "\n" not in heard.said[0]


class Router(http.server.BaseHTTPRequestHandler):
    """WANCommonInterfaceConfig:1, as far as the byte totals go."""

    totals: ClassVar[list[int]] = [2**32 - 5000, 1000]
    broken = ""

    def log_message(self, *args: object) -> None: ...

    def _send(self, status: int, text: str) -> None:
        body = text.encode()
        self.send_response(status)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def do_GET(self) -> None:
        self._send(
            200,
            '<root xmlns="urn:schemas-upnp-org:device-1-0"><device><serviceList><service>'
            f"<serviceType>{SERVICE}</serviceType><controlURL>/ctl</controlURL>"
            "</service></serviceList></device></root>",
        )

    def do_POST(self) -> None:
        self.rfile.read(int(self.headers["Content-Length"]))
        action = self.headers["SOAPAction"].strip('"').partition("#")[2]
        if Router.broken:
            self._send(200, Router.broken)
            return
        if action not in ("GetTotalBytesReceived", "GetTotalBytesSent"):
            self._send(500, "<e><errorDescription>Invalid Action</errorDescription></e>")
            return
        at = 0 if action.endswith("Received") else 1
        name = action.replace("Get", "New", 1)
        Router.totals[at] = (Router.totals[at] + 3000) % 2**32
        self._send(
            200,
            '<s:Envelope xmlns:s="http://schemas.xmlsoap.org/soap/envelope/"><s:Body>'
            f'<u:{action}Response xmlns:u="{SERVICE}"><{name}>{Router.totals[at]}</{name}>'
            f"</u:{action}Response></s:Body></s:Envelope>",
        )


@pytest.fixture
def upnp() -> Iterator[str]:
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Router)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    Router.broken = ""
    yield f"http://127.0.0.1:{server.server_port}/desc.xml"
    server.shutdown()
    thread.join()
    server.server_close()


def test_upnp_totals_grow_across_their_wrap(upnp: str) -> None:
    heard = follow(CounterSource(description=upnp), lambda h: len(h.totals) >= 4)
    assert heard.totals[:4] == [(0, 0), (3000, 3000), (6000, 6000), (9000, 9000)]
    assert heard.said == []


def test_upnp_garbage_is_told_once_and_the_recovery_too(upnp: str) -> None:
    Router.broken = "<nonsense"
    heard_more = Heard()

    def enough(heard: Heard) -> bool:
        if heard.said:
            Router.broken = ""
        heard_more.said = heard.said
        return len(heard.said) >= 2 and bool(heard.totals)

    follow(CounterSource(description=upnp), enough)
    first, second = heard_more.said
    assert "the answer is not XML" in first
    assert "read again" in second


def test_the_child_ends_with_its_daemon(tmp_path: Path) -> None:
    import sys

    import msgspec

    request = device_talk.CountersRequest(
        source=CounterSource(description="http://127.0.0.1:9/x"), every_s=60
    )
    with subprocess.Popen(
        [sys.executable, "-m", "whichhop.probes.counters_child"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    ) as child:
        assert child.stdin is not None
        assert child.stdout is not None
        child.stdin.write(msgspec.json.encode(request) + b"\n")
        child.stdin.flush()
        assert b"failed" in child.stdout.readline()
        child.stdin.close()
        assert child.wait(20) == 0
