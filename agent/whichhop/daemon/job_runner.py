"""Owns all that runs beside the packets: periodic jobs, standing ones, and those that are done once."""

import asyncio
from collections.abc import Awaitable, Callable, Coroutine, Sequence
from typing import Any

from whichhop.daemon.troubles import Troubles, words_of
from whichhop.model.units import NS_PER_S, seconds_to_next
from whichhop.net.clock import Clock

Act = Callable[[], Awaitable[None]]
Pause = Callable[[], float]

WAITS_S = (1.0, 5.0, 15.0, 60.0, 300.0)
"""After the first, second, ... failure in a row: soon, for what passes by itself; seldom for what stays."""
TOGETHER_S = 5.0
"""Pauses of at least so long end at its multiples: what waits for seconds shares a wake-up, and that costs
more than most of what is done in it."""


def together_s(pause_s: float, utc_ns: int) -> float:
    """The pause that ends nearest to `pause_s` from now and together with others; a short one as it is."""
    if pause_s < TOGETHER_S:
        return pause_s
    end_s = utc_ns / NS_PER_S + pause_s
    return pause_s + round(end_s / TOGETHER_S) * TOGETHER_S - end_s


class JobRunner:
    """No exception of a job ends another one or the agent: it is told once, counted, and the job begun again.

    Each job has a name of its own, which labels the metric of failures.
    """

    def __init__(self, clock: Clock, troubles: Troubles, waits_s: Sequence[float] = WAITS_S) -> None:
        self._clock, self._troubles, self._waits_s = clock, troubles, waits_s
        self._tasks: set[asyncio.Task[None]] = set()

    def after_pauses(self, name: str, every_s: float, act: Act, *, at_once: bool = False) -> None:
        """Act again and again, a pause before each time; see `together_s`."""
        self.paced(name, lambda: together_s(every_s, self._clock.utc_ns()), act, at_once=at_once)

    def at_multiples(self, name: str, every_s: float, act: Act, behind_s: float = 0.0) -> None:
        """Act at whole multiples of a time of day, as the comparer's windows end, or so far behind each."""
        behind_ns = round(behind_s * NS_PER_S)
        self.paced(name, lambda: seconds_to_next(self._clock.utc_ns() - behind_ns, every_s), act)

    def paced(self, name: str, pause_s: Pause, act: Act, *, at_once: bool = False) -> "asyncio.Task[None]":
        """Act again and again, after whatever pause is asked for each time; at_once: none the first time."""
        return self._own(name, self._paced(name, pause_s, act, at_once=at_once))

    def standing(self, name: str, run: Act) -> "asyncio.Task[None]":
        """Work that goes on until the agent stops; begun again when it fails or ends."""
        return self._own(name, self._standing(name, run))

    def once(self, name: str, act: Act) -> "asyncio.Task[None]":
        """Work that is done once; its failure is told and counted."""
        return self._own(name, self._once(name, act))

    async def close(self) -> None:
        """End every job and wait until it has let go of what it holds."""
        while self._tasks:
            tasks = list(self._tasks)
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            self._tasks.difference_update(tasks)

    def _own(self, name: str, work: Coroutine[Any, Any, None]) -> "asyncio.Task[None]":
        task = asyncio.create_task(work, name=name)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return task

    async def _paced(self, name: str, pause_s: Pause, act: Act, *, at_once: bool) -> None:
        failures = 0
        if not at_once:
            await asyncio.sleep(pause_s())
        while True:
            failures = 0 if await self._survives(name, act) else failures + 1
            await asyncio.sleep(self._wait_s(failures) if failures else pause_s())

    async def _standing(self, name: str, run: Act) -> None:
        failures = 0
        while True:
            begun_ns = self._clock.mono_ns()
            await self._survives(name, run)
            # One that ran for long begins anew with the shortest wait.
            lasted_s = (self._clock.mono_ns() - begun_ns) / 1e9
            failures = 1 if lasted_s > self._waits_s[-1] else failures + 1
            await asyncio.sleep(self._wait_s(failures))

    async def _once(self, name: str, act: Act) -> None:
        try:
            await act()
        except Exception as trouble:  # noqa: BLE001 - as in _survives; nobody will say that it is well again
            self._troubles.wrong(name, words_of(trouble), passing=True)

    async def _survives(self, name: str, act: Act) -> bool:
        failed = False
        try:
            await act()
        except Exception as trouble:  # noqa: BLE001 - whatever it is, the other jobs go on and so does this one
            self._troubles.wrong(name, words_of(trouble))
            failed = True
        else:
            self._troubles.well(name)
        _end_where_asked()
        return not failed

    def _wait_s(self, failures: int) -> float:
        return self._waits_s[min(failures, len(self._waits_s)) - 1]


def _end_where_asked() -> None:
    """End a job whose act took its cancelling for something else, or who stops the agent would wait for ever.

    Before Python 3.12 `asyncio.wait_for` loses one that comes as what it waits for ends.
    """
    task = asyncio.current_task()
    if task is not None and task.cancelling():
        raise asyncio.CancelledError
