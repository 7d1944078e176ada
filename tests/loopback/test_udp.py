"""UDP sockets on loopback: the kernel's stamps bracket the truth, and refusals name port and remedy."""

import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.need import need
from whichhop.errors import SystemRefusedError
from whichhop.model.units import NS_PER_S
from whichhop.net.clock import SystemClock
from whichhop.net.stamped import Datagram, SendStamp, StampedSocket
from whichhop.net.udp import open_udp

pytestmark = pytest.mark.waits

CLOCK = SystemClock()


@pytest.fixture(params=["127.0.0.1", "::1"])
def address(request: pytest.FixtureRequest) -> str:
    if request.param == "::1":
        try:
            socket.create_server(("::1", 0), family=socket.AF_INET6).close()
        except OSError:
            need(False, "IPv6 on loopback")
    return str(request.param)


@pytest.fixture
def udp(address: str) -> Iterator[StampedSocket]:
    found = open_udp(address, 0, SystemClock(), want_header=True, want_local=True)
    yield found
    found.close()


def drain_all(udp: StampedSocket, datagrams: int, stamps: int) -> tuple[list[SendStamp], list[Datagram]]:
    got: tuple[list[SendStamp], list[Datagram]] = ([], [])
    end = CLOCK.mono_ns() + 5 * NS_PER_S
    while (len(got[0]) < stamps or len(got[1]) < datagrams) and CLOCK.mono_ns() < end:
        got[1].extend(udp.receive())
        got[0].extend(udp.send_stamps())
    return got


def test_kernel_stamps_lie_between_the_clock_readings_around_them(udp: StampedSocket) -> None:
    me = udp.socket.getsockname()
    before = CLOCK.utc_ns()
    token = udp.send(b"x" * 44, me)
    stamps, datagrams = drain_all(udp, 1, 2)
    after = CLOCK.utc_ns()
    scheduled = next(s.at_ns for s in stamps if s.scheduled)
    driver = next(s.at_ns for s in stamps if not s.scheduled)
    assert {s.token for s in stamps} == {token}
    assert datagrams[0].kernel
    assert before <= scheduled <= driver <= datagrams[0].at_ns <= after


def test_the_header_facts_asked_for_come_with_each_datagram(udp: StampedSocket) -> None:
    me = udp.socket.getsockname()
    if udp.socket.family == socket.AF_INET6:
        udp.socket.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_TCLASS, 0xB8)
        udp.socket.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_UNICAST_HOPS, 37)
    else:
        udp.socket.setsockopt(socket.IPPROTO_IP, socket.IP_TOS, 0xB8)
        udp.socket.setsockopt(socket.IPPROTO_IP, socket.IP_TTL, 37)
    udp.send(b"x", me)
    _stamps, datagrams = drain_all(udp, 1, 2)
    assert (datagrams[0].ttl, datagrams[0].tos) == (37, 0xB8)


def test_an_answer_leaves_from_the_address_that_was_asked() -> None:
    # all of 127/8 is this machine's (RFC 1122 3.2.1.3); bound to any, the kernel would choose 127.0.0.1
    any_address = open_udp("0.0.0.0", 0, SystemClock(), want_local=True)
    asker = open_udp("127.0.0.1", 0, SystemClock())
    asker.send(b"x", ("127.0.0.9", any_address.socket.getsockname()[1]))
    _stamps, asked = drain_all(any_address, 1, 0)
    assert asked[0].local is not None
    any_address.send(b"y", asked[0].source, extra=[any_address.local_ancillary(asked[0].local)])
    _stamps, answered = drain_all(asker, 1, 0)
    assert answered[0].source[0] == "127.0.0.9"
    any_address.close()
    asker.close()


def test_send_stamps_keep_their_packets_when_a_send_between_fails(udp: StampedSocket) -> None:
    me = udp.socket.getsockname()
    first = udp.send(b"a", me)
    with pytest.raises(OSError, match="too long"):
        udp.send(b"b" * 70_000, me)
    udp.stamp_sends(False)
    assert udp.send(b"c", me) is None
    udp.stamp_sends(True)
    times = [CLOCK.utc_ns()]
    second = udp.send(b"d", me)
    times.append(CLOCK.utc_ns())
    stamps, _datagrams = drain_all(udp, 3, 4)
    assert {s.token for s in stamps} == {first, second}
    assert all(times[0] <= s.at_ns <= times[1] for s in stamps if s.token == second)
    assert all(s.at_ns <= times[0] for s in stamps if s.token == first)


def test_without_kernel_stamps_the_clock_serves_and_each_datagram_says_so(address: str) -> None:
    udp = open_udp(address, 0, SystemClock(), kernel_stamps=False)
    before = CLOCK.utc_ns()
    assert udp.send(b"x", udp.socket.getsockname()) is None
    stamps, datagrams = drain_all(udp, 1, 0)
    assert stamps == []
    assert not datagrams[0].kernel
    assert before <= datagrams[0].at_ns <= CLOCK.utc_ns()
    udp.close()


def test_a_flood_is_taken_in_batches_in_order(udp: StampedSocket) -> None:
    me = udp.socket.getsockname()
    udp.stamp_sends(False)
    for i in range(100):
        udp.send(bytes([i]), me)
    first = udp.receive(limit=64)
    _stamps, second = drain_all(udp, 36, 0)
    assert len(first) == 64
    assert [d.data[0] for d in first + second] == list(range(100))


def test_a_taken_port_is_named_with_its_remedy(udp: StampedSocket, address: str) -> None:
    port = udp.socket.getsockname()[1]
    with pytest.raises(
        SystemRefusedError, match=f"port {port} .* taken by another program; .*home file"
    ) as caught:
        open_udp(address, port, SystemClock())
    assert "\n" not in str(caught.value)


def test_an_address_that_is_not_ours_or_no_address_is_named() -> None:
    with pytest.raises(SystemRefusedError, match=r"192\.0\.2\.20 .*no interface has that address"):
        open_udp("192.0.2.20", 0, SystemClock())
    with pytest.raises(SystemRefusedError, match="'attic' is not a numeric address"):
        open_udp("attic", 0, SystemClock())


LOW_PORT = """
import os, sys
from whichhop.errors import SystemRefusedError
from whichhop.net.clock import SystemClock
from whichhop.net.udp import open_udp
# only after importing: the interpreter may lie where nobody else may read
os.setgroups([]); os.setgid(65534); os.setuid(65534)
try:
    open_udp("127.0.0.1", 862, SystemClock())
except SystemRefusedError as err:
    print(err)
    sys.exit(7)
"""


def test_a_privileged_port_without_permission_names_the_capability() -> None:
    need(os.geteuid() == 0, "root, to drop its privileges in a child")
    first = int(Path("/proc/sys/net/ipv4/ip_unprivileged_port_start").read_text())
    need(first > 862, "a system where port 862 is privileged")
    path = os.pathsep.join(p for p in sys.path if p)
    done = subprocess.run(
        [sys.executable, "-c", LOW_PORT],
        env={"PYTHONPATH": path},
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )
    assert done.returncode == 7, done.stderr
    assert "CAP_NET_BIND_SERVICE" in done.stdout
    assert done.stdout.count("\n") == 1
