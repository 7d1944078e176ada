"""The relay process: carries frames between two devices per link, with delay, loss and order as told.

Started by the holder as `python -m whichhop.lab.links.relay CONTROL_FD SETUP`; SETUP is JSON that names each
link's two device descriptors. Lines on the control socket change settings or ask for the counts.
"""

import gc
import heapq
import json
import os
import random
import select
import socket
import sys

from msgspec import Struct

from whichhop.lab.links.impairment import HELD_NS, ImpairmentSettings, Lane
from whichhop.net.clock import SystemClock

FRAME_BYTES = 65_600
"""Larger than any frame: a device that still merges segments must not be cut short."""
READS = 64
"""Frames taken from one device before the others get their turn."""
REAL_TIME_PRIORITY = 10


class Port(Struct, eq=False):
    """One direction: where frames come from, where they go, and what happens to them between."""

    link: str
    way: str
    source: int
    sink: int
    lane: Lane
    held: bytes | None = None
    held_turn: int = 0
    """The turn of the timer that releases the held frame; older timers have nothing to do."""


def make_real_time() -> bool:
    """Ask for SCHED_FIFO, so that a busy machine does not delay packets; False where refused."""
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(REAL_TIME_PRIORITY))
    except OSError:
        return False
    return True


class Relay:
    """The loop. One instance carries all links of a home."""

    def __init__(self, control: socket.socket, clock: SystemClock) -> None:
        self.control = control
        self.clock = clock
        self.ports: dict[int, Port] = {}
        self.waiting: list[tuple[int, int, Port, bytes]] = []
        self.turn = 0
        self.rest = b""

    def add(self, link: str, near_fd: int, far_fd: int, seed: int) -> None:
        """Join two devices; each direction has dice of its own, so that one does not disturb the other."""
        for way, source, sink in (("up", near_fd, far_fd), ("down", far_fd, near_fd)):
            os.set_blocking(source, False)
            # The dice of an emulation: repeatable, not secret.
            dice = random.Random(f"{seed} {link} {way}")  # noqa: S311
            self.ports[source] = Port(link=link, way=way, source=source, sink=sink, lane=Lane(dice))
        near, far = self.ports[near_fd].lane, self.ports[far_fd].lane
        near.back, far.back = far, near

    def run(self) -> None:
        """Carry frames until the control socket closes."""
        mono_ns = self.clock.mono_ns
        watched = [self.control.fileno(), *self.ports]
        waiting, heappop = self.waiting, heapq.heappop
        while True:
            pause = max(0, waiting[0][0] - mono_ns()) / 1e9 if waiting else None
            ready, _, _ = select.select(watched, (), (), pause)
            for fd in ready:
                port = self.ports.get(fd)
                if port is not None:
                    self.drain(port)
                elif not self.obey():
                    return
            now = mono_ns()
            while waiting and waiting[0][0] <= now:
                _, turn, port, frame = heappop(waiting)
                if frame:
                    self.put(port, frame)
                elif port.held is not None and port.held_turn == turn:
                    self.put(port, port.held)
                    port.held = None

    def drain(self, port: Port) -> None:
        """Take what one device has, up to a fair share, and decide each frame's fate."""
        read, mono_ns, lane, waiting = os.read, self.clock.mono_ns, port.lane, self.waiting
        for _ in range(READS):
            try:
                frame = read(port.source, FRAME_BYTES)
            except BlockingIOError:
                return
            except OSError:
                # EIO or ENETDOWN: the device is down for the moment, nothing can have come from it.
                return
            at = lane.fate(mono_ns(), len(frame))
            if at is None:
                continue
            if lane.settings.own_sources:
                at += lane.lingers_ns(frame)
            if port.held is None and lane.holds_back():
                port.held = frame
                self.turn += 1
                port.held_turn = self.turn
                heapq.heappush(waiting, (at + HELD_NS, self.turn, port, b""))
                continue
            self.turn += 1
            heapq.heappush(waiting, (at, self.turn, port, frame))
            if lane.doubles():
                self.turn += 1
                heapq.heappush(waiting, (at, self.turn, port, frame))
            if port.held is not None:
                self.turn += 1
                heapq.heappush(waiting, (at, self.turn, port, port.held))
                port.held = None

    def put(self, port: Port, frame: bytes) -> None:
        """Hand a frame to the far device; one that will not take it is counted, not hidden."""
        try:
            os.write(port.sink, frame)
        except OSError:
            port.lane.counts.refused += 1

    def obey(self) -> bool:
        """Answer control lines; False when the other end is gone."""
        try:
            data = self.control.recv(1 << 16)
        except ConnectionError:
            return False
        if not data:
            return False
        *lines, self.rest = (self.rest + data).split(b"\n")
        for line in lines:
            order = json.loads(line)
            if order["do"] == "set":
                for port in self.ports.values():
                    if port.link == order["link"] and port.way == order["way"]:
                        port.lane.change(ImpairmentSettings.from_json(order["settings"]))
            self.answer({"utc_ns": self.clock.utc_ns(), "counts": self.counts()})
        return True

    def counts(self) -> dict[str, dict[str, dict[str, int]]]:
        """link -> way -> count by name, at this moment."""
        out: dict[str, dict[str, dict[str, int]]] = {}
        for port in self.ports.values():
            out.setdefault(port.link, {})[port.way] = port.lane.counts.as_json()
        return out

    def answer(self, what: dict[str, object]) -> None:
        """One JSON line back."""
        self.control.sendall(json.dumps(what).encode() + b"\n")


def main() -> int:
    """Read the set-up line, then carry frames."""
    control = socket.socket(fileno=int(sys.argv[1]))
    setup = json.loads(sys.argv[2])
    relay = Relay(control, SystemClock())
    for link in setup["links"]:
        relay.add(link["name"], link["near_fd"], link["far_fd"], setup["seed"])
    # A collector's pause is a late packet, and nothing here makes rings.
    gc.freeze()
    gc.disable()
    relay.answer({"real_time": make_real_time()})
    relay.run()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
