"""Echo on loopback against icmplib's own ping, and its refusals told in one line with the remedy."""

import asyncio
import os
import select
import socket
import statistics
import struct
import subprocess
import sys
from pathlib import Path

import icmplib
import pytest

from support.need import need, need_root
from support.probing import Kept, key, until
from whichhop.errors import SystemRefusedError
from whichhop.model import Fate, Sample, SessionKey
from whichhop.net.clock import SystemClock
from whichhop.net.icmp_socket import EchoSocket
from whichhop.probes.kinds.icmp_echo import EchoProber
from whichhop.wire.icmp import Echo, Family, pack_echo

LOOPBACKS = ["127.0.0.1", "::1"]


def has_ipv6() -> bool:
    try:
        with socket.socket(socket.AF_INET6, socket.SOCK_DGRAM) as s:
            s.bind(("::1", 0))
    except OSError:
        return False
    return True


def may_echo() -> bool:
    try:
        EchoSocket(socket.AF_INET, SystemClock(), ident=1).close()
    except SystemRefusedError:
        return False
    return True


@pytest.fixture(params=LOOPBACKS)
def address(request: pytest.FixtureRequest) -> str:
    need(may_echo(), "an ICMP socket, datagram or raw")
    need(request.param != "::1" or has_ipv6(), "IPv6 on loopback")
    return str(request.param)


async def _ask(
    address: str, times: int, *, kernel_stamps: bool = True
) -> tuple[EchoProber, Kept, SessionKey]:
    kept, asked = Kept(), key("loopback")
    prober = EchoProber(kept, SystemClock(), os.urandom(8), kernel_stamps=kernel_stamps)
    prober.open(asyncio.get_running_loop())
    for i in range(times):
        prober.send(asked, address)
        await until(lambda i=i: len(kept.rows) > i)  # type: ignore[misc]
    prober.close()
    return prober, kept, asked


def test_every_echo_is_answered_and_both_stamps_are_the_kernels(address: str) -> None:
    prober, kept, asked = asyncio.run(_ask(address, 20))
    samples = kept.of(asked)
    assert [s.fate for s in samples] == [Fate.ANSWERED] * 20
    assert prober.facts(asked).stamps == "T1 T4"
    # within one machine an echo takes microseconds; 5 ms allows for a busy one at the median
    assert 0 < statistics.median(s.rtt_ns or 0 for s in samples) < 5_000_000
    assert all(s.queue_ns is not None and 0 <= s.queue_ns <= (s.rtt_ns or 0) for s in samples)


def test_our_round_trip_is_no_longer_than_icmplibs_own_around_it(address: str) -> None:
    # icmplib reads its clock around blocking calls, so its best is a bound for ours from above
    theirs = icmplib.ping(
        address,
        count=20,
        interval=0.005,
        privileged=EchoSocket(
            socket.AF_INET6 if ":" in address else socket.AF_INET, SystemClock(), ident=2
        ).unprivileged
        is False,
    )
    assert theirs.is_alive
    _prober, kept, asked = asyncio.run(_ask(address, 20))
    ours = statistics.median(s.rtt_ns or 0 for s in kept.of(asked)) / 1e6
    assert ours <= statistics.median(theirs.rtts) + 0.1


def test_user_space_times_serve_where_the_kernel_gives_none_and_the_facts_say_so(address: str) -> None:
    prober, kept, asked = asyncio.run(_ask(address, 5, kernel_stamps=False))
    assert [s.fate for s in kept.of(asked)] == [Fate.ANSWERED] * 5
    assert prober.facts(asked).stamps == ""
    assert all(s.queue_ns is None for s in kept.of(asked))


def test_the_two_families_keep_their_send_stamps_apart() -> None:
    need(may_echo() and has_ipv6(), "ICMP sockets and IPv6 on loopback")

    async def both() -> tuple[Kept, SessionKey, SessionKey]:
        kept, four, six = Kept(), key("four"), key("six")
        prober = EchoProber(kept, SystemClock(), os.urandom(8))
        prober.open(asyncio.get_running_loop())
        for _ in range(10):
            prober.send(four, "127.0.0.1")
            prober.send(six, "::1")
        await until(lambda: len(kept.rows) == 20)
        assert prober.facts(four).stamps == prober.facts(six).stamps == "T1 T4"
        prober.close()
        return kept, four, six

    kept, four, six = asyncio.run(both())
    assert len(kept.of(four)) == len(kept.of(six)) == 10
    assert {s.fate for _, s in kept.rows} == {Fate.ANSWERED}


def test_a_stranger_with_our_identifier_is_not_believed() -> None:
    need(os.geteuid() == 0, "root, to send raw ICMP")

    async def spoof() -> tuple[Kept, SessionKey]:
        kept, asked = Kept(), key("loopback")
        prober = EchoProber(kept, SystemClock(), b"whichhop")
        prober.open(asyncio.get_running_loop())
        with socket.socket(socket.AF_INET, socket.SOCK_RAW, socket.IPPROTO_ICMP) as raw:
            # an echo reply with our identifier but another cookie: type 0, checksum by RFC 1071
            body = b"\0\0\0\0" + b"whichhop"[2:4] + b"\0\1" + b"someone!" + (1).to_bytes(8) + bytes(28)
            total = sum(int.from_bytes(body[i : i + 2]) for i in range(0, len(body), 2))
            while total >> 16:
                total = (total & 0xFFFF) + (total >> 16)
            raw.sendto(body[:2] + (~total & 0xFFFF).to_bytes(2) + body[4:], ("127.0.0.1", 0))
        await asyncio.sleep(0.02)
        assert kept.rows == []
        prober.send(asked, "127.0.0.1")
        await until(lambda: len(kept.rows) == 1)
        prober.close()
        return kept, asked

    kept, asked = asyncio.run(spoof())
    assert kept.of(asked)[0].fate is Fate.ANSWERED


def test_an_address_of_a_family_we_have_no_socket_for_is_not_sent() -> None:
    need(may_echo(), "an ICMP socket, datagram or raw")

    async def ask() -> tuple[EchoProber, Kept]:
        kept = Kept()
        prober = EchoProber(kept, SystemClock(), os.urandom(8))
        prober.open(asyncio.get_running_loop())
        prober._sockets.pop(socket.AF_INET6).close() if socket.AF_INET6 in prober._sockets else None
        prober.send(key("six"), "::1")
        facts = prober.facts(key("six"))
        assert facts.send_failures == 1
        prober._sockets.pop(socket.AF_INET).close()
        return prober, kept

    _prober, kept = asyncio.run(ask())
    assert [s.fate for _, s in kept.rows] == [Fate.NOT_SENT]


def test_answers_that_wait_to_be_gathered_keep_the_time_they_came(address: str) -> None:
    async def ask(*, kernel_stamps: bool) -> tuple[int, list[Sample]]:
        kept, asked = Kept(), key("loopback")
        prober = EchoProber(kept, SystemClock(), os.urandom(8), kernel_stamps=kernel_stamps, prompt=False)
        prober.open(asyncio.get_running_loop())
        for _ in range(9):
            prober.send(asked, address)
            await asyncio.sleep(0.002)
        await asyncio.sleep(0.3)
        before = len(kept.rows)
        prober.close()  # takes up what waits, as `gather` does at every beat
        return before, kept.of(asked)

    before, samples = asyncio.run(ask(kernel_stamps=True))
    assert before == 0
    assert [s.fate for s in samples] == [Fate.ANSWERED] * 9
    # read 300 ms and more after they came; 5 ms allows for a busy machine at the median
    assert 0 < statistics.median(s.rtt_ns or 0 for s in samples) < 5_000_000
    # what no kernel stamps must be read as it comes
    before, samples = asyncio.run(ask(kernel_stamps=False))
    assert before == len(samples) == 9


def test_a_raw_socket_is_not_woken_by_replies_to_others(address: str) -> None:
    need_root()
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    ours, other = (EchoSocket(family, SystemClock(), ident=i) for i in (0x1234, 0x4321))
    need(not ours.unprivileged, "raw ICMP sockets")
    where = (address, 0) if family == socket.AF_INET else (address, 0, 0, 0)
    try:
        version = Family.V6 if family == socket.AF_INET6 else Family.V4
        ours.send(pack_echo(Echo(reply=False, ident=0x1234, seq=7, payload=b"eight---"), version), where)
        time_over = SystemClock().mono_ns() + 2_000_000_000
        got = ours.receive()
        while not got and SystemClock().mono_ns() < time_over:
            got = ours.receive()
        assert [(a.sequence, a.error) for a in got] == [(7, False)]
        # not even as far as the parser: nothing lies in the other's queue
        assert select.select([other], [], [], 0.05)[0] == []
    finally:
        ours.close()
        other.close()


def _error(family: socket.AddressFamily, quoted: bytes, address: str) -> bytes:
    """An error that says a port is closed (RFC 792, RFC 4443 3.1), which quotes a packet to `address`."""
    packed = socket.inet_pton(family, address)
    if family == socket.AF_INET:
        protocol = 1 if quoted[0] == 8 else 17
        header = struct.pack("!BBHHHBBH", 0x45, 0, 20 + len(quoted), 0, 0, 64, protocol, 0)
        body = struct.pack("!BBHI", 3, 3, 0, 0) + header + packed + packed + quoted
        total = sum(int.from_bytes(body[i : i + 2]) for i in range(0, len(body), 2))
        while total >> 16:
            total = (total & 0xFFFF) + (total >> 16)
        return body[:2] + (~total & 0xFFFF).to_bytes(2) + body[4:]
    header = struct.pack("!IHBB", 6 << 28, len(quoted), 58 if quoted[0] == 128 else 17, 64)
    return struct.pack("!BBHI", 1, 4, 0, 0) + header + packed + packed + quoted  # the kernel sums


def test_errors_about_others_packets_do_not_push_our_answers_out_of_a_raw_socket(address: str) -> None:
    need_root()
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    version = Family.V6 if family == socket.AF_INET6 else Family.V4
    protocol = socket.IPPROTO_ICMPV6 if family == socket.AF_INET6 else socket.IPPROTO_ICMP
    ours = EchoSocket(family, SystemClock(), ident=0x1234)
    need(not ours.unprivileged, "raw ICMP sockets")
    where = (address, 0) if family == socket.AF_INET else (address, 0, 0, 0)
    asks = {
        ident: pack_echo(Echo(reply=False, ident=ident, seq=7, payload=b"eight---"), version)
        for ident in (0x1234, 0x4321)
    }
    udp = struct.pack("!HHHH", 40_000, 862, 16, 0) + bytes(8)
    try:
        with socket.socket(family, socket.SOCK_RAW, protocol) as raw:
            # more than 256 KiB of buffer hold
            for quoted in [udp] * 1500 + [asks[0x4321]] * 1500 + [asks[0x1234]]:
                raw.sendto(_error(family, quoted, address), where)
            ours.send(asks[0x1234], where)
        time_over = SystemClock().mono_ns() + 2_000_000_000
        got = ours.receive()
        while len(got) < 2 and SystemClock().mono_ns() < time_over:
            got += ours.receive()
        assert [(a.sequence, a.error) for a in got] == [(7, True), (7, False)]
    finally:
        ours.close()


REFUSED = """
import os, socket, sys
from whichhop.errors import SystemRefusedError
from whichhop.net.clock import SystemClock
from whichhop.net.icmp_socket import EchoSocket
# only after importing: the interpreter may lie where nobody else may read
os.setgroups([]); os.setgid(65534); os.setuid(65534)
try:
    EchoSocket(socket.AF_INET, SystemClock(), ident=1)
except SystemRefusedError as err:
    print(err)
    sys.exit(7)
"""


@pytest.mark.slow
def test_without_permission_one_line_names_both_remedies() -> None:
    need(os.geteuid() == 0, "root, to drop its privileges in a child")
    low, high = map(int, Path("/proc/sys/net/ipv4/ping_group_range").read_text().split())
    need(not low <= 65534 <= high, "a system that refuses ICMP sockets to group 65534")
    path = os.pathsep.join(p for p in sys.path if p)
    done = subprocess.run(
        [sys.executable, "-c", REFUSED],
        env={"PYTHONPATH": path},
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )
    assert done.returncode == 7, done.stderr
    assert done.stdout.count("\n") == 1
    assert "net.ipv4.ping_group_range" in done.stdout
    assert "CAP_NET_RAW" in done.stdout
