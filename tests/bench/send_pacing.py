"""How late the daemon's alarm wakes when the machine is idle, beside a C program's and the loop's own timer.

A virtual machine wakes late from idleness whoever sleeps, so the ratio to the C program is a figure too.
"""

import asyncio
import subprocess
import tempfile
from collections.abc import Iterator

from bench.compiled import compiled
from bench.figure import Figure
from bench.rtt_error import p99
from whichhop.model.units import NS_PER_MS, MonoNs
from whichhop.net.clock import SystemClock
from whichhop.net.timer import open_alarm

CLOCK = SystemClock()
WAKES = 1000
STEP_NS = 7 * NS_PER_MS + 300_000
"""Off the whole millisecond, so that rounding to one shows."""
TARGET_US = 100.0
TARGET_RATIO = 1.5


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


def by_c_us() -> list[float]:
    """The same wakes of a program compiled here and now."""
    with tempfile.TemporaryDirectory() as folder:
        words = [compiled("alarm", folder), str(STEP_NS), str(WAKES)]
        done = subprocess.run(words, capture_output=True, text=True, check=True, timeout=60)
    return [int(line) / 1000 for line in done.stdout.split()]


def run() -> Iterator[Figure]:
    by_c = by_c_us()
    ours, loops = asyncio.run(lateness_us(True)), asyncio.run(lateness_us(False))
    value = round(p99(ours), 1)
    yield Figure(
        bench="send-pacing",
        value=value,
        unit="us",
        target=TARGET_US,
        ok=value <= TARGET_US,
        beside={
            "c-program": round(p99(by_c), 1),
            "loop-timer": round(p99(loops), 1),
            "median": round(sorted(ours)[WAKES // 2], 1),
            "c-program-median": round(sorted(by_c)[WAKES // 2], 1),
        },
    )
    ratio = round(value / p99(by_c), 2)
    yield Figure(
        bench="send-pacing",
        value=ratio,
        unit="times a C program's 99 % lateness",
        target=TARGET_RATIO,
        ok=ratio <= TARGET_RATIO,
    )
