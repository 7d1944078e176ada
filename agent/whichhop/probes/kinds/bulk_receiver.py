"""The receiving half of a transfer: empties some connections and counts what its program got, and when."""

import os
import socket
import threading
from collections.abc import Callable, Sequence

from msgspec import Struct

from whichhop.model.units import NS_PER_S
from whichhop.net.clock import Clock
from whichhop.net.tcp import Emptier, drop
from whichhop.stats.responsiveness import SKIP_S, Point, slot_rates

LOOK_S = 0.05
Progress = Callable[[float, int], None]


class Received(Struct, frozen=True, kw_only=True):
    """What the receiving program got. rate_bps: mean after slow start, None for less than a slot past it.

    ended: "sender" when the sender closed, "time" when it did not in time.
    """

    seconds: float
    octets: int
    rate_bps: float | None
    cpu: float
    ended: str


def receive_bulk(
    socks: Sequence[socket.socket], clock: Clock, *, limit_s: float, progress: Progress
) -> Received:
    """Empty the connections until the sender closes them all or `limit_s` is over; they are closed then."""
    stop = threading.Event()
    emptiers = [Emptier(sock, stop) for sock in socks]
    before = os.times()
    points: list[Point] = [(clock.mono_ns(), 0)]
    for emptier in emptiers:
        emptier.thread.start()
    ended = "time"
    while True:
        # The end of the last one wakes it at once, so that no time past it is counted.
        next((e for e in emptiers if not e.ended), emptiers[0]).thread.join(LOOK_S)
        over = all(e.ended for e in emptiers)
        arrived = sum(e.arrived for e in emptiers)
        now = clock.mono_ns()
        if not over:  # the time after the end is no part of any rate
            points.append((now, arrived))
        seconds = (now - points[0][0]) / NS_PER_S
        progress(seconds, points[-1][1])
        if over:
            ended = "sender"
            break
        if seconds >= limit_s:
            break
    stop.set()
    for emptier in emptiers:
        drop(emptier.sock)
    for emptier in emptiers:
        emptier.thread.join()
    after = os.times()
    rates = slot_rates(points, skip_s=SKIP_S)
    span_s = max(seconds, 1e-9)
    return Received(
        seconds=span_s,
        octets=sum(e.octets for e in emptiers),
        rate_bps=sum(rates) / len(rates) if rates else None,
        cpu=((after.user + after.system) - (before.user + before.system)) / span_s,
        ended=ended,
    )
