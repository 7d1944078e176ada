"""Plain senders and receivers that lab tests run inside namespaces: the outside view of what links do.

flow.py datagrams-out ADDRESS PORT COUNT GAP_US    numbered UDP packets at a steady rate
flow.py datagrams-in PORT SILENCE_S                prints the numbers in the order they came, as JSON
flow.py stream-out ADDRESS PORT SECONDS            TCP as fast as it goes
flow.py stream-in PORT SKIP_S COUNT_S              prints bytes per second of one TCP stream, after SKIP_S
flow.py tick GAP_MS                                prints the monotonic clock in ns, for ever
"""

import json
import socket
import statistics
import sys
from pathlib import Path

from whichhop.net.clock import SystemClock, sleep_s

CLOCK = SystemClock()


def datagrams_out(address: str, port: str, count: str, gap_us: str) -> None:
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    start = CLOCK.mono_ns()
    for number in range(int(count)):
        while CLOCK.mono_ns() - start < number * int(gap_us) * 1000:
            sleep_s(0.0001)
        sock.sendto(number.to_bytes(4, "big").ljust(60), (address, int(port)))


def datagrams_in(port: str, silence_s: str) -> None:
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 22)
    sock.bind(("0.0.0.0", int(port)))
    print("ready", flush=True)
    sock.settimeout(10)
    numbers = []
    try:
        while True:
            numbers.append(int.from_bytes(sock.recv(100)[:4], "big"))
            sock.settimeout(float(silence_s))
    except TimeoutError:
        print(json.dumps(numbers))


def stream_out(address: str, port: str, seconds: str) -> None:
    sock = socket.socket()
    # The rate of a queue is wanted, not a probing controller's idea of it.
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_CONGESTION, b"cubic")
    sock.connect((address, int(port)))
    end = CLOCK.mono_ns() + float(seconds) * 1e9
    block = bytes(1 << 16)
    try:
        while CLOCK.mono_ns() < end:
            sock.sendall(block)
    except ConnectionError:
        pass


def stream_in(port: str) -> None:
    server = socket.create_server(("0.0.0.0", int(port)))
    print("ready", flush=True)
    sock, _ = server.accept()
    print("taking", flush=True)
    while sock.recv(1 << 18):
        pass


def bytes_in(device: str, skip_s: str, count_s: str) -> None:
    # The kernel's own count of the device, whole frames: what a queue's rate means. Bytes as an application
    # sees them stall and leap with every lost segment.
    # A sender that a busy machine holds up sends less, never more: the upper quartile of quarter seconds
    # stands for what the queue lets through.
    counter = Path("/sys/class/net", device, "statistics/rx_bytes")
    sleep_s(float(skip_s))
    rates = []
    at, seen = CLOCK.mono_ns(), int(counter.read_text())
    for _ in range(round(float(count_s) / 0.25)):
        sleep_s(0.25)
        before, had = at, seen
        at, seen = CLOCK.mono_ns(), int(counter.read_text())
        rates.append((seen - had) * 1e9 / (at - before))
    print(json.dumps(statistics.quantiles(rates, n=4)[2]))


def tick(gap_ms: str) -> None:
    while True:
        print(CLOCK.mono_ns(), flush=True)
        sleep_s(int(gap_ms) / 1e3)


if __name__ == "__main__":
    {
        "datagrams-out": datagrams_out,
        "datagrams-in": datagrams_in,
        "stream-out": stream_out,
        "stream-in": stream_in,
        "bytes-in": bytes_in,
        "tick": tick,
    }[sys.argv[1]](*sys.argv[2:])
