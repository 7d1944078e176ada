"""How late the daemon's alarm wakes when the machine is idle, beside the event loop's own timer."""

import asyncio
from collections.abc import Iterator

from bench.figure import Figure
from bench.rtt_error import p99
from whichhop.model.units import NS_PER_MS, MonoNs
from whichhop.net.clock import SystemClock
from whichhop.net.timer import open_alarm

CLOCK = SystemClock()
WAKES = 1000
STEP_NS = 7 * NS_PER_MS + 300_000
"""Off the whole millisecond, so that rounding to one shows."""


async def lateness_us(precise: bool) -> list[float]:
    late: list[float] = []
    done = asyncio.Event()

    def wake(due: MonoNs) -> None:
        late.append((CLOCK.mono_ns() - due) / 1000)
        if len(late) < WAKES:
            alarm.set(MonoNs(due + STEP_NS))
        else:
            done.set()

    alarm = open_alarm(asyncio.get_running_loop(), wake, precise=precise)
    alarm.set(MonoNs(CLOCK.mono_ns() + STEP_NS))
    await done.wait()
    alarm.close()
    return late


def run() -> Iterator[Figure]:
    ours, loops = asyncio.run(lateness_us(True)), asyncio.run(lateness_us(False))
    value = round(p99(ours), 1)
    yield Figure(
        bench="send-pacing",
        value=value,
        unit="us",
        target=100.0,
        ok=value <= 100.0,
        beside={"loop-timer": round(p99(loops), 1), "median": round(sorted(ours)[WAKES // 2], 1)},
    )
