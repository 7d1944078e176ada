"""Recurring work keeps to whole multiples of a time."""

import asyncio

import pytest

from whichhop.daemon.rhythm import again, at_each
from whichhop.model.units import NS_PER_MS
from whichhop.net.clock import SystemClock

pytestmark = pytest.mark.slow


def test_work_at_whole_multiples_comes_just_after_one() -> None:
    clock, seen = SystemClock(), []

    async def act() -> None:
        seen.append(clock.utc_ns())
        if len(seen) == 3:
            raise StopAsyncIteration

    async def run() -> None:
        with pytest.raises(StopAsyncIteration):
            await at_each(clock, 0.1, act)

    asyncio.run(run())
    # A busy machine may be late by any amount once, not each time.
    late = [(at + NS_PER_MS) % (100 * NS_PER_MS) for at in seen]
    assert min(late) < 50 * NS_PER_MS
    assert (seen[-1] + NS_PER_MS) // (100 * NS_PER_MS) > (seen[0] + NS_PER_MS) // (100 * NS_PER_MS)


def test_work_after_a_pause_waits_first() -> None:
    clock, seen = SystemClock(), []

    async def act() -> None:
        seen.append(clock.mono_ns())
        raise StopAsyncIteration

    async def run() -> int:
        begun = clock.mono_ns()
        with pytest.raises(StopAsyncIteration):
            await again(0.05, act)
        return begun

    begun = asyncio.run(run())
    assert seen[0] - begun >= 45 * NS_PER_MS
