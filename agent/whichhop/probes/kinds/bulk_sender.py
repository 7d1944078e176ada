"""The sending half of a transfer: fills some connections and tells from the kernel's numbers what arrived."""

import os
import socket
import threading
from collections.abc import Callable, Sequence

from msgspec import Struct

from whichhop.model.transfer import WIRE_SHARE
from whichhop.model.units import NS_PER_S, MonoNs
from whichhop.net.clock import Clock, sleep_s
from whichhop.net.tcp import Filler, TcpInfo, drop
from whichhop.stats.responsiveness import (
    INTERVAL_S,
    LoadedTrips,
    Point,
    Settled,
    loaded_trips,
    settle,
    slot_rates,
)

LOOK_S = 0.05
_UNMEASURED = 2**32 - 1

Progress = Callable[[float, int], None]
"""Called now and then with seconds so far and octets so far."""


class Sent(Struct, frozen=True, kw_only=True):
    """What the sending half knows. octets: payload that reached the other end; wire_octets: what it cost.

    busy, window, buffer: shares of the time that there was something to send, that the receiver's window held
    it back, and that our own send buffer did. cpu: processor time of this process by time passed.
    rates: of whole seconds past slow start. loaded: the connections' round trips, smoothed by TCP.
    ended: "steady", "time", "bytes" or "broken".
    """

    seconds: float
    octets: int
    wire_octets: int
    first_octets: int
    resent_octets: int
    settled: Settled | None
    base_rtt_s: float | None
    mean_rtt_s: float | None
    busy: float
    window: float
    buffer: float
    cpu: float
    rates: tuple[float, ...]
    loaded: LoadedTrips
    ended: str


class Allowance:
    """Payload that may still be handed to the kernel, shared by the streams."""

    def __init__(self, octets: int) -> None:
        self._left = octets
        self._lock = threading.Lock()

    def take(self, wanted: int) -> int:
        """As much of `wanted` as is left, 0 when nothing is."""
        with self._lock:
            given = min(wanted, self._left)
            self._left -= given
            return given

    @property
    def spent(self) -> bool:
        """Whether nothing is left."""
        return self._left <= 0


def send_bulk(
    socks: Sequence[socket.socket],
    clock: Clock,
    *,
    limit_s: float,
    limit_octets: int,
    progress: Progress,
    whole: bool = False,
) -> Sent:
    """Fill the connections until the rate is steady or a limit is met; they are closed at the end.

    whole: not until it is steady, but for all its time.
    limit_octets: of everything on the wire, resent segments and acknowledgements too.
    """
    # A sixteenth is kept for segments that must be sent again; more of them end it below.
    allowance = Allowance(int(limit_octets / WIRE_SHARE * 15 / 16))
    stop = threading.Event()
    fillers = [Filler(sock, allowance.take, stop) for sock in socks]
    before = os.times()
    points: list[Point] = [(clock.mono_ns(), 0)]
    rtts: list[tuple[float, float]] = []
    for filler in fillers:
        filler.thread.start()
    ended, infos = "time", _infos(fillers)
    while True:
        sleep_s(LOOK_S)
        infos = _infos(fillers)
        now = clock.mono_ns()
        points.append((now, sum(i.delivered_octets for i in infos)))
        seconds = (now - points[0][0]) / NS_PER_S
        rtts += [(seconds, info.rtt_us / 1e3) for info in infos if info.rtt_us]
        progress(seconds, points[-1][1])
        settled = settle(slot_rates(points))
        if settled is not None and settled.steady and not whole:
            ended = "steady"
        elif any(f.broken for f in fillers) or len(infos) < len(fillers):
            ended = "broken"
        elif sum(i.bytes_sent for i in infos) * WIRE_SHARE >= limit_octets * 31 / 32 or (
            allowance.spent and not any(f.thread.is_alive() for f in fillers)
        ):
            ended = "bytes"
        elif seconds < limit_s:
            continue
        break
    stop.set()
    for filler in fillers:
        drop(filler.sock)
    for filler in fillers:
        filler.thread.join()
    after = os.times()
    return _report(points, rtts, infos, ended, (after.user + after.system) - (before.user + before.system))


def _infos(fillers: Sequence[Filler]) -> list[TcpInfo]:
    return [info for filler in fillers if (info := filler.info()) is not None]


def _report(
    points: list[Point], rtts: list[tuple[float, float]], infos: Sequence[TcpInfo], ended: str, cpu_s: float
) -> Sent:
    first, last = points[0], points[-1]
    span_ns = MonoNs(max(last[0] - first[0], 1))
    rates = slot_rates(points)
    # A transfer too short for slots still has a mean, slow start and all: it is never called steady.
    settled = settle(rates) or settle([(last[1] - first[1]) * 8 * NS_PER_S / span_ns])
    resent = sum(i.bytes_retrans for i in infos)
    sent = sum(i.bytes_sent for i in infos)
    bases = [i.min_rtt_us / 1e6 for i in infos if i.min_rtt_us != _UNMEASURED]
    lives_us = max(span_ns / 1000 * len(infos), 1.0)
    return Sent(
        seconds=span_ns / NS_PER_S,
        octets=last[1],
        wire_octets=round(sent * WIRE_SHARE),
        first_octets=sent - resent,
        resent_octets=resent,
        settled=settled,
        base_rtt_s=min(bases, default=None),
        mean_rtt_s=sum(ms for _, ms in rtts) / len(rtts) / 1e3 if rtts else None,
        busy=min(1.0, sum(i.busy_us for i in infos) / lives_us),
        window=min(1.0, sum(i.rwnd_limited_us for i in infos) / lives_us),
        buffer=min(1.0, sum(i.sndbuf_limited_us for i in infos) / lives_us),
        cpu=cpu_s * NS_PER_S / span_ns,
        rates=tuple(slot_rates(points, slot_s=INTERVAL_S)),
        loaded=loaded_trips(rtts, span_ns / NS_PER_S),
        ended=ended,
    )
