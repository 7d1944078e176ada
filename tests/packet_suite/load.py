"""The home's own traffic: `load.py sink ADDRESS PORT`, `load.py fill ADDRESS PORT STREAMS SECONDS`."""

import socket
import sys
import threading

from whichhop.net.clock import SystemClock

PIECE = bytes(64 * 1024)


def discard(taken: socket.socket) -> None:
    room = bytearray(256 * 1024)
    with taken:
        while taken.recv_into(room):
            pass


def sink(address: str, port: int) -> None:
    with socket.create_server((address, port)) as server:
        print("ready", flush=True)
        while True:
            taken, _ = server.accept()
            threading.Thread(target=discard, args=(taken,), daemon=True).start()


def fill(address: str, port: int, seconds: float) -> None:
    """Send as a program would that copies a large file; cubic, which fills buffers (RFC 9438)."""
    clock = SystemClock()
    end = clock.mono_ns() + seconds * 1e9
    with socket.socket() as sock:
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_CONGESTION, b"cubic")
        sock.connect((address, port))
        while clock.mono_ns() < end:
            sock.sendall(PIECE)


if __name__ == "__main__":
    what, where, at, *more = sys.argv[1:]
    if what == "sink":
        sink(where, int(at))
    streams = [
        threading.Thread(target=fill, args=(where, int(at), float(more[1]))) for _ in range(int(more[0]))
    ]
    for one in streams:
        one.start()
