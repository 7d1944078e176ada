"""Helpers of the probe tests: a prober driven in a real loop, and a clock moved by hand."""

import asyncio
import contextlib
from collections.abc import Callable

from whichhop.model import Method, Sample, SessionKey
from whichhop.model.units import MonoNs, UtcNs
from whichhop.net.clock import SystemClock
from whichhop.probes.base import Prober, SessionFacts
from whichhop.wire.flight import LINGER_NS, WAIT_NS

START_UTC_NS = 1_772_388_245_000_000_000  # 2026-03-01T18:04:05Z
MS = 1_000_000


def key(target: str = "router", method: Method = Method.ECHO, agent: str = "desk") -> SessionKey:
    return SessionKey(agent=agent, target=target, method=method)


class HandClock:
    """A clock that stands until a test moves it."""

    def __init__(self) -> None:
        self.utc, self.mono, self.boot = START_UTC_NS, 50_000 * MS, 50_000 * MS

    def utc_ns(self) -> UtcNs:
        return UtcNs(self.utc)

    def mono_ns(self) -> MonoNs:
        return MonoNs(self.mono)

    def boot_ns(self) -> int:
        return self.boot

    def pass_ns(self, ns: int) -> None:
        self.utc += ns
        self.mono += ns
        self.boot += ns


class Kept:
    """A sink that remembers."""

    def __init__(self) -> None:
        self.rows: list[tuple[SessionKey, Sample]] = []

    def __call__(self, key: SessionKey, sample: Sample) -> None:
        self.rows.append((key, sample))

    def of(self, key: SessionKey) -> list[Sample]:
        return [s for k, s in self.rows if k == key]


async def until(true: Callable[[], bool], seconds: float = 5.0) -> None:
    """Let the loop run until something holds; AssertionError when it does not in time."""
    loop = asyncio.get_running_loop()
    end = loop.time() + seconds
    while not true():
        assert loop.time() < end, "waited in vain"
        await asyncio.sleep(0.002)


async def ask_and_settle(
    prober: Prober, kept: Kept, asked: SessionKey, target: str, times: int, wait_s: float
) -> tuple[list[Sample], SessionFacts]:
    """Ask so many times, wait for answers as long as `wait_s`, then let the waiting time be over."""
    clock = SystemClock()
    prober.open(asyncio.get_running_loop())
    for _ in range(times):
        prober.send(asked, target)
        await asyncio.sleep(0.005)
    with contextlib.suppress(AssertionError):
        await until(lambda: len(kept.of(asked)) == times, wait_s)
    for later in (WAIT_NS, WAIT_NS + LINGER_NS):
        prober.expire(MonoNs(clock.mono_ns() + later + 1))
    facts = prober.facts(asked)
    prober.close()
    return kept.of(asked), facts
