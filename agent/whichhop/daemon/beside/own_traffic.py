"""How much the home itself sends and receives: at our own interface, or from a router over the network."""

import asyncio
import contextlib
import json
import sys
from collections.abc import Callable
from dataclasses import dataclass, field

import msgspec

from whichhop.model.counter_source import CounterSource
from whichhop.net.clock import Clock
from whichhop.net.host import Host
from whichhop.probes.counters_talk import Count, CountersRequest
from whichhop.stats.rate import CounterReading, Step
from whichhop.stats.running_total import RunningTotal

EVERY_S = 10.0
"""As often as the comparer's window, so that each window has its own share of own traffic."""
AGAIN_S = 30.0
"""After the child ended, however that came."""
Totals = Callable[[int, int, int], None]
"""Takes UTC ns, bytes received and bytes sent since counting began."""


@dataclass(slots=True)
class Unwrapping:
    """Both directions' totals; a width that changes or a count that is lost begins both anew. Pure."""

    received: RunningTotal = field(default_factory=lambda: RunningTotal(bits=64))
    sent: RunningTotal = field(default_factory=lambda: RunningTotal(bits=64))
    _still: tuple[int, int] | None = None

    def add(self, count: Count, mono_ns: int, fallback_bps: float | None) -> tuple[int, int] | None:
        """The totals after a count; None where it says nothing new.

        A device that shows the same numbers again has not counted since: the next new ones then stand for
        the whole time. fallback_bps: the line's plan, for devices that do not tell their speed.
        """
        if count.bits != self.received.bits:
            most = (count.speed_bps or fallback_bps or 0) / 8 or None
            self.received = RunningTotal(bits=count.bits, most_per_s=most)
            self.sent = RunningTotal(bits=count.bits, most_per_s=most)
            self._still = None
        if self._still == (count.received, count.sent):
            return None
        self._still = (count.received, count.sent)
        steps = [
            total.add(CounterReading(at_ns=mono_ns, value=value, discontinuity=count.discontinuity))
            for total, value in ((self.received, count.received), (self.sent, count.sent))
        ]
        if any(step in (Step.RESTARTED, Step.UNKNOWABLE) for step in steps):
            self.received.value = self.sent.value = 0
        return self.received.value, self.sent.value


class WanCounters:
    """Counts at an interface of ours, or asks a router; each trouble is said once, and its end."""

    def __init__(
        self,
        host: Host,
        clock: Clock,
        totals: Totals,
        say: Callable[[str], None],
        *,
        every_s: float = EVERY_S,
    ) -> None:
        self._host, self._clock, self._totals, self._say = host, clock, totals, say
        self._every_s = every_s
        self._interface: str | None = None
        self._source: CounterSource | None = None
        self._task: asyncio.Task[None] | None = None
        self._trouble = ""

    def follow(self, *, interface: str | None, source: CounterSource | None, most_bps: float | None) -> None:
        """Count at this interface and ask this source from now on; None: neither."""
        self._interface = interface
        if source == self._source:
            return
        self._source = source
        if self._task is not None:
            self._task.cancel()
        self._task = None if source is None else asyncio.create_task(self._run(source, most_bps))

    async def turn(self) -> None:
        """Read our own interface, where all of the home's traffic passes through this node."""
        if self._interface is None:
            return
        counters = self._host.counters().get(self._interface)
        if counters is None:
            self._tell(f"no interface {self._interface!r} here (wan_counters); own traffic is not counted")
            return
        self._well(f"interface {self._interface!r} is there again")
        self._totals(self._clock.utc_ns(), counters.rx_bytes, counters.tx_bytes)

    async def close(self) -> None:
        """End the child."""
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)

    async def _run(self, source: CounterSource, plan_bps: float | None) -> None:
        unwrapping = Unwrapping()
        while True:
            child = await asyncio.create_subprocess_exec(
                sys.executable,
                "-m",
                "whichhop.probes.counters_child",
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
            )
            assert child.stdin is not None  # noqa: S101 - both are pipes
            assert child.stdout is not None  # noqa: S101
            try:
                child.stdin.write(
                    msgspec.json.encode(CountersRequest(source=source, every_s=self._every_s)) + b"\n"
                )
                async for row in child.stdout:
                    self._take(json.loads(row), unwrapping, plan_bps, source)
            finally:
                child.stdin.close()
                if child.returncode is None:
                    with contextlib.suppress(ProcessLookupError):
                        child.kill()
                    await child.wait()
            self._tell(f"{source.words}: the process that reads its counters ended; tried again soon")
            await asyncio.sleep(AGAIN_S)

    def _take(
        self, said: dict[str, object], unwrapping: Unwrapping, plan_bps: float | None, source: CounterSource
    ) -> None:
        if "failed" in said:
            self._tell(f"{said['failed']}; own traffic is not counted until it answers")
            return
        self._well(f"{source.words}: its counters are read again")
        count = msgspec.convert(said["count"], Count)
        try:
            totals = unwrapping.add(count, int(str(said["mono_ns"])), plan_bps)
        except ValueError as wrong:
            self._tell(f"{source.words}: {wrong}; own traffic is not counted until it is right")
            return
        if totals is not None:
            self._totals(int(str(said["at_ns"])), *totals)

    def _well(self, text: str) -> None:
        if self._trouble:
            self._trouble = ""
            self._say(text)

    def _tell(self, text: str) -> None:
        if not self._trouble:
            self._say(text)
        self._trouble = text
