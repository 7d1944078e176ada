"""One half of a transfer in a process of its own: `receive ADDRESS PORT STREAMS` or `send ...`.

`send ADDRESS PORT STREAMS SECONDS OCTETS [whole]`: until it is steady, or with `whole` for all the seconds.
"""

import json
import socket
import sys

from msgspec import to_builtins

from whichhop.net.clock import SystemClock
from whichhop.net.listen import listening_socket
from whichhop.net.tcp import connect, make_bulk, prefer_cubic
from whichhop.probes.kinds.bulk_receiver import Received, receive_bulk
from whichhop.probes.kinds.bulk_sender import Sent, send_bulk


def receive(address: str, port: int, streams: int) -> Received:
    with listening_socket(address, port, setting="the test's port") as sock:
        prefer_cubic(sock)
        sock.settimeout(20)
        print("ready", flush=True)
        socks: list[socket.socket] = [sock.accept()[0] for _ in range(streams)]
    for one in socks:
        make_bulk(one)
    return receive_bulk(socks, SystemClock(), limit_s=120, progress=lambda *_: None)


def fill(address: str, port: int, limit_s: float) -> int:
    """Send as a program would that copies a large file: until the time is over."""
    with connect(address, port, seconds=5) as sock:
        clock = SystemClock()
        end, sent = clock.mono_ns() + limit_s * 1e9, 0
        while clock.mono_ns() < end:
            sock.sendall(bytes(16_384))
            sent += 16_384
    return sent


def send(address: str, port: int, streams: int, limit_s: float, limit_octets: int, *, whole: bool) -> Sent:
    socks = [connect(address, port, seconds=5) for _ in range(streams)]
    for one in socks:
        make_bulk(one)
    return send_bulk(
        socks,
        SystemClock(),
        limit_s=limit_s,
        limit_octets=limit_octets,
        progress=lambda *_: None,
        whole=whole,
    )


if __name__ == "__main__":
    what, where, at, count, *more = sys.argv[1:]
    if what == "receive":
        print(json.dumps(to_builtins(receive(where, int(at), int(count)))))
    elif what == "fill":
        print(fill(where, int(at), float(more[0])))
    else:
        seconds, octets = float(more[0]), int(more[1])
        print(
            json.dumps(to_builtins(send(where, int(at), int(count), seconds, octets, whole="whole" in more)))
        )
