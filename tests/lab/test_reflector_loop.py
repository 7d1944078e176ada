"""One spoofed packet between two reflectors in namespaces dies out; the kernel's own counters show it."""

import asyncio
import socket
import struct
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

import pytest

from support.namespaces import EVERYONE, V4, Path4, estimate
from whichhop.net.clock import SystemClock, sleep_s
from whichhop.probes.admission import Admission
from whichhop.probes.kinds.stamp_reflector import StampReflector
from whichhop.wire.ntp64 import ntp_from_utc
from whichhop.wire.stamp import Ask, pack_ask

pytestmark = [pytest.mark.lab, pytest.mark.waits]
KEY = b"k" * 32


@contextmanager
def reflecting(path: Path4, node: str, port: int, key: bytes | None) -> Iterator[StampReflector]:
    started, stop = threading.Event(), threading.Event()
    made: list[StampReflector] = []

    async def serve() -> None:
        one = StampReflector(SystemClock(), Admission(EVERYONE), estimate, bind=V4[node], port=port, key=key)
        one.open(asyncio.get_running_loop())
        made.append(one)
        started.set()
        while not stop.is_set():
            await asyncio.sleep(0.01)
        one.close()

    thread = threading.Thread(target=lambda: path.inside(node, lambda: asyncio.run(serve())))
    thread.start()
    try:
        assert started.wait(20)
        yield made[0]
    finally:
        stop.set()
        thread.join()


def spoof(path: Path4, source: tuple[str, int], target: tuple[str, int], payload: bytes) -> None:
    """Send one datagram from the edge that claims to come from `source` (RFC 791 3.1, RFC 768)."""
    udp = struct.pack("!HHHH", source[1], target[1], 8 + len(payload), 0) + payload
    head = struct.pack(
        "!BBHHHBBH4s4s",
        *(0x45, 0, 20 + len(udp), 1, 0, 64, socket.IPPROTO_UDP, 0),
        socket.inet_aton(source[0]),
        socket.inet_aton(target[0]),
    )

    def send() -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_RAW, socket.IPPROTO_RAW) as raw:
            raw.sendto(head + udp, (target[0], 0))

    path.inside("edge", send)


def udp_received(path: Path4, node: str) -> int:
    """The kernel's own count of datagrams taken in (RFC 4113 udpInDatagrams)."""
    lines = [line.split() for line in path.run(node, "cat", "/proc/net/snmp").splitlines()]
    names, values = [words for words in lines if words[0] == "Udp:"]
    return int(values[names.index("InDatagrams")])


@pytest.mark.parametrize("octets_behind", [0, 1300])
@pytest.mark.parametrize("key", [None, KEY])
@pytest.mark.parametrize("ports", [(862, 862), (9862, 9862), (5000, 5001)])
def test_a_spoofed_packet_dies_out(
    path: Path4, ports: tuple[int, int], key: bytes | None, octets_behind: int
) -> None:
    with ExitStack() as stack:
        ends = [
            stack.enter_context(reflecting(path, node, port, key))
            for node, port in zip(("host", "far"), ports, strict=True)
        ]
        t1 = ntp_from_utc(SystemClock().utc_ns())
        payload = pack_ask(Ask(seq=1, t1=t1, estimate=estimate(), ssid=7, rest=bytes(octets_behind)), key)
        spoof(path, (V4["far"], ports[1]), (V4["host"], ports[0]), payload)
        sleep_s(1.0)
        before = [udp_received(path, node) for node in ("host", "far")]
        sleep_s(0.5)
        assert [udp_received(path, node) for node in ("host", "far")] == before  # nothing moves any more
        assert before[0] >= 1  # it did arrive
        assert sum(end.answered for end in ends) <= 3
        if ports[0] == ports[1]:
            assert ends[0].dropped() == {"service-port": 1}
        else:
            assert sum(end.dropped().get("looped", 0) for end in ends) == 1
