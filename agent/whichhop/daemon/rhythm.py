"""Work that recurs: after a pause each time, or at whole multiples of a time."""

import asyncio
from collections.abc import Awaitable, Callable

from whichhop.model.units import seconds_to_next
from whichhop.net.clock import Clock

Act = Callable[[], Awaitable[None]]


async def again(every_s: float, act: Act) -> None:
    """Act, a pause between two times; for ever."""
    while True:
        await asyncio.sleep(every_s)
        await act()


async def at_each(clock: Clock, every_s: float, act: Act) -> None:
    """Act at whole multiples of a time of day, as the comparer's windows end; for ever."""
    while True:
        await asyncio.sleep(seconds_to_next(clock.utc_ns(), every_s))
        await act()
