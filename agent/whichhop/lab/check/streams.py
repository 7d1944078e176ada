"""The self-check's instrument: one-way UDP streams between namespaces, timed by the kernel on arrival.

Started beside all nodes as `python -m whichhop.lab.check.streams JOBS`, JOBS being JSON; it prints one JSON
line. One process opens a socket in each of two namespaces, and both share this machine's clock, so the delay
of a single direction is known.
"""

import contextlib
import json
import os
import socket
import struct
import sys

from msgspec import Struct

from whichhop.lab.build import kernel
from whichhop.net.clock import SystemClock, sleep_s

SO_TIMESTAMPNS = 35
"""asm-generic/socket.h; the kernel's own receive time, which no busy processor can delay."""
SMALL_BYTES = 64
BLAST_BYTES = 1400
WIRE_BYTES = 14 + 20 + 8
"""Ethernet, IPv4 and UDP headers: what a queue counts beside the payload."""
GAP_S = 0.004
CATCH_UP_NS = 50_000_000
"""A sender that the machine held up makes up for so much, or the blast itself would be below the rate."""
SETTLE_S = 0.25
"""How long stragglers are waited for: longer than any healthy link holds a packet."""


class StreamJob(Struct, frozen=True, kw_only=True):
    """One direction of one link: `count` timed packets, and a blast when there is a rate to see."""

    name: str
    from_fd: int
    to_fd: int
    from_address: str
    to_address: str
    count: int
    rate_bps: int | None


class Stream:
    """A sending and a receiving socket in two namespaces."""

    def __init__(self, job: StreamJob) -> None:
        self.job = job
        kernel.set_namespace(job.to_fd, kernel.CLONE_NEWNET)
        self.sink = socket.socket(socket.AF_INET, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK)
        self.sink.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)
        self.sink.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 22)
        self.sink.bind((job.to_address, 0))
        kernel.set_namespace(job.from_fd, kernel.CLONE_NEWNET)
        self.source = socket.socket(socket.AF_INET, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK)
        self.source.bind((job.from_address, 0))
        self.source.connect(self.sink.getsockname())
        self.sent = 0
        self.arrivals: list[tuple[int, int, int]] = []
        """(kernel's receive time, the sender's time, payload bytes) of each packet."""

    def send(self, now_ns: int, size: int) -> bool:
        """One packet that carries its send time; False when the sender's own buffer is full."""
        try:
            self.source.send(struct.pack("!q", now_ns).ljust(size, b"\0"))
        except BlockingIOError:
            return False
        self.sent += 1
        return True

    def collect(self) -> None:
        """Take what has come."""
        while True:
            try:
                data, extra, _, _ = self.sink.recvmsg(2048, 64)
            except BlockingIOError:
                return
            for level, kind, value in extra:
                if level == socket.SOL_SOCKET and kind == SO_TIMESTAMPNS:
                    seconds, ns = struct.unpack("qq", value[:16])
                    (sent_ns,) = struct.unpack("!q", data[:8])
                    self.arrivals.append((seconds * 1_000_000_000 + ns, sent_ns, len(data)))

    def close(self) -> None:
        """Give both sockets back."""
        self.source.close()
        self.sink.close()


def timed(jobs: list[StreamJob], clock: SystemClock) -> dict[str, dict[str, object]]:
    """All jobs side by side: one-way delays in ns, and how many packets came of how many."""
    streams = [Stream(job) for job in jobs]
    for turn in range(max(job.count for job in jobs)):
        for stream in streams:
            if turn < stream.job.count:
                stream.send(clock.utc_ns(), SMALL_BYTES)
            stream.collect()
        sleep_s(GAP_S)
    sleep_s(SETTLE_S)
    out: dict[str, dict[str, object]] = {}
    for stream in streams:
        stream.collect()
        delays = [came - sent for came, sent, _ in stream.arrivals]
        out[stream.job.name] = {"sent": stream.sent, "came": len(delays), "delays_ns": delays}
        stream.close()
    return out


def blast(job: StreamJob, rate_bps: int, clock: SystemClock, seconds: float) -> float | None:
    """The rate in bit/s that one direction passes when twice its rate is offered; None when nothing came.

    The first fifth of the arrivals is left out: a token bucket begins full.
    """
    stream = Stream(job)
    gap_ns = (BLAST_BYTES + WIRE_BYTES) * 8 * 500_000_000 // rate_bps
    due = int(clock.mono_ns())
    end = due + int(seconds * 1e9)
    while due < end:
        now = clock.mono_ns()
        while due <= now and stream.send(now, BLAST_BYTES):
            due += gap_ns
        due = max(due, now - CATCH_UP_NS)
        stream.collect()
        sleep_s(0.0002)
    sleep_s(SETTLE_S)
    stream.collect()
    came = sorted(stream.arrivals)
    came = came[len(came) // 5 :]
    stream.close()
    if len(came) < 10:
        return None
    bits = sum(size + WIRE_BYTES for _, _, size in came[1:]) * 8
    return bits * 1e9 / max(1, came[-1][0] - came[0][0])


def main() -> int:
    """Run the jobs, print the answer."""
    asked = json.loads(sys.argv[1])
    jobs = [StreamJob(**job) for job in asked["jobs"]]
    clock = SystemClock()
    # As the relay does: a busy machine must not make the home look slow. Refused is fine.
    with contextlib.suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(5))
    found = timed(jobs, clock)
    for job in jobs:
        if job.rate_bps is not None:
            found[job.name]["rate_bps"] = blast(job, job.rate_bps, clock, asked["blast_s"])
    sys.stdout.write(json.dumps(found) + "\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
