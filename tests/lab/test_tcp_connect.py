"""TCP connect through namespaces: accepted, refused, filtered, repeated and unreachable told apart."""

import asyncio
import socket
import statistics

import pytest

from support.namespaces import V4, V6, Path4
from support.probing import Kept, ask_and_settle, key
from whichhop.model import Fate, Method, Sample
from whichhop.net.clock import SystemClock
from whichhop.probes.base import SessionFacts
from whichhop.probes.kinds.tcp_connect import TcpConnectProber

pytestmark = [pytest.mark.lab, pytest.mark.slow, pytest.mark.waits]
K = key("harbour", Method.TCP)
PORT = 8443


def ask(path: Path4, target: str, times: int = 1, wait_s: float = 0.5) -> tuple[list[Sample], SessionFacts]:
    kept = Kept()
    prober = TcpConnectProber(kept, SystemClock(), port=PORT)
    return path.inside("host", lambda: asyncio.run(ask_and_settle(prober, kept, K, target, times, wait_s)))


@pytest.mark.parametrize("plan", [V4, V6], ids=["IPv4", "IPv6"])
def test_an_open_port_gives_the_kernels_own_round_trip(path: Path4, plan: dict[str, str]) -> None:
    family = socket.AF_INET6 if ":" in plan["far"] else socket.AF_INET
    server = path.inside("far", lambda: socket.create_server((plan["far"], PORT), family=family, backlog=64))
    with server:
        samples, facts = ask(path, plan["far"], 20)
    assert [s.fate for s in samples] == [Fate.ANSWERED] * 20
    assert facts.stamps == "T1 T4"
    # three veth hops take microseconds; 5 ms allows for a busy machine at the median
    assert 0 < statistics.median(s.rtt_ns or 0 for s in samples) < 5_000_000


def test_a_refusal_is_an_answer(path: Path4) -> None:
    samples, facts = ask(path, V4["far"], 5)
    assert [s.fate for s in samples] == [Fate.ANSWERED] * 5
    assert facts.stamps == "", "after a refusal only user space has timed it"


def test_a_filtered_port_is_lost(path: Path4) -> None:
    path.rules("far", "input", "tcp dport 8443 drop")
    samples, _ = ask(path, V4["far"], 3)
    assert [s.fate for s in samples] == [Fate.LOST] * 3


def test_a_handshake_that_had_to_be_repeated_lost_a_packet(path: Path4) -> None:
    # every first packet vanishes, the kernel's repetition after a second passes
    path.rules("edge", "forward", "tcp dport 8443 tcp flags & (syn | ack) == syn numgen inc mod 2 == 0 drop")
    server = path.inside("far", lambda: socket.create_server((V4["far"], PORT)))
    with server:
        samples, _ = ask(path, V4["far"], 1, wait_s=1.5)
    assert [s.fate for s in samples] == [Fate.LOST]
    assert samples[0].rtt_ns is None


def test_an_error_from_a_router_is_a_loss_on_the_way_out(path: Path4) -> None:
    path.run("edge", "ip", "route", "add", "unreachable", "203.0.113.9/32")
    samples, _ = ask(path, "203.0.113.9")
    assert [s.fate for s in samples] == [Fate.LOST_OUT]


def test_without_a_route_nothing_was_sent(path: Path4) -> None:
    path.run("host", "ip", "route", "del", "default")
    samples, facts = ask(path, V4["far"], 2)
    assert [s.fate for s in samples] == [Fate.NOT_SENT] * 2
    assert facts.send_failures == 2
