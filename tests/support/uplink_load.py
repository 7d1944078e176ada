"""What fills an uplink, in a process of its own: programs of the home, or a queue that nobody in it made.

`take ADDRESS PORT`            takes in whatever comes over TCP and UDP, for ever
`home ADDRESS PORT STREAMS SECONDS ON_S OFF_S CONTROL`   fills it by TCP, in bursts where OFF_S is not 0
`stand ADDRESS PORT LOW HIGH SECONDS SEED`               keeps LOW to HIGH octets standing in the queue
"""

import contextlib
import random
import socket
import sys
import threading

from whichhop.net.clock import SystemClock, sleep_s

PAYLOAD = 1400
FRAME = PAYLOAD + 42
HELD = 2304
"""What the kernel charges a socket for one such datagram (skb->truesize: 2048 of data, 256 of descriptor)."""
SO_SNDBUFFORCE = 32


def take(address: str, port: int) -> None:
    """TCP is emptied, UDP is let fall when its buffer is full: so no answer of ours goes back."""

    def empty(sock: socket.socket) -> None:
        room = bytearray(1 << 20)
        with sock, contextlib.suppress(OSError):
            # A call for each packet would take a tenth of a core from the home that is measured.
            while sock.recv_into(room, 0, socket.MSG_TRUNC | socket.MSG_WAITALL):
                pass

    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as datagrams:
        datagrams.bind((address, port))
        with socket.create_server((address, port)) as listening:
            print("ready", flush=True)
            while True:
                threading.Thread(target=empty, args=(listening.accept()[0],), daemon=True).start()


def home(
    address: str, port: int, streams: int, seconds: float, on_s: float, off_s: float, control: str
) -> None:
    """As programs would that copy files."""
    clock = SystemClock()
    start = clock.mono_ns()
    end = start + seconds * 1e9

    def copy() -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as sock:
            # Before connecting: where the system's default paces, a connection once begun goes on pacing.
            with contextlib.suppress(OSError):
                sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_CONGESTION, control.encode())
            sock.settimeout(10)
            sock.connect((address, port))
            while (now := clock.mono_ns()) < end:
                if off_s and (now - start) / 1e9 % (on_s + off_s) >= on_s:
                    sleep_s(0.05)
                else:
                    sock.sendall(bytes(16_384))

    threads = [threading.Thread(target=copy) for _ in range(streams)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()


def stand(address: str, port: int, low: int, high: int, seconds: float, seed: int) -> None:
    """A datagram socket that may hold so many octets and always does keeps a queue of just that depth."""
    dice, clock = random.Random(seed), SystemClock()
    end, next_ns = clock.mono_ns() + seconds * 1e9, 0
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        while (now := clock.mono_ns()) < end:
            if now >= next_ns:
                octets = dice.uniform(low, high)
                # The kernel doubles what it is given (man socket, 7).
                sock.setsockopt(socket.SOL_SOCKET, SO_SNDBUFFORCE, round(octets / FRAME * HELD / 2))
                next_ns = now + 10**9
            sock.sendto(bytes(PAYLOAD), (address, port))


if __name__ == "__main__":
    what, where, at, *more = sys.argv[1:]
    if what == "take":
        take(where, int(at))
    elif what == "home":
        home(where, int(at), int(more[0]), float(more[1]), float(more[2]), float(more[3]), more[4])
    else:
        stand(where, int(at), int(more[0]), int(more[1]), float(more[2]), int(more[3]))
