"""What a queue really let through while something ran: the kernel's own count, read now and then."""

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise

from support.namespaces import Path4
from whichhop.net.clock import SystemClock

EVERY_S = 0.2
SLOW_START_S = 1.2


class Counted:
    """(monotonic ns, octets with Ethernet's headers) of one queue, oldest first."""

    def __init__(self) -> None:
        self.points: list[tuple[int, int]] = []

    @property
    def rate_bps(self) -> float:
        """The mean from a while after the first octet to the last full reading of the flow."""
        moving = [now for before, now in pairwise(self.points) if now[1] > before[1]]
        settled = [p for p in moving[:-1] if p[0] >= moving[0][0] + SLOW_START_S * 1e9]
        (begin, first), (end, last) = settled[0], settled[-1]
        return (last - first) * 8e9 / (end - begin)


@contextmanager
def counted(path: Path4, node: str, device: str) -> Iterator[Counted]:
    """Count for the length of a block."""
    out, stop, clock = Counted(), threading.Event(), SystemClock()

    def look() -> None:
        while not stop.wait(EVERY_S):
            (queue,) = json.loads(path.run(node, "tc", "-s", "-j", "qdisc", "show", "dev", device))
            out.points.append((clock.mono_ns(), int(queue["bytes"])))

    thread = threading.Thread(target=look)
    thread.start()
    try:
        yield out
    finally:
        stop.set()
        thread.join()
