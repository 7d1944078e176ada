"""A loop, or work done once, kept going; and failures that are survived: told once, counted, shown."""

import asyncio
from collections import Counter
from collections.abc import Awaitable, Callable, Coroutine, Mapping, Sequence
from typing import Any

from whichhop.model.units import NS_PER_S, seconds_to_next
from whichhop.net.clock import Clock
from whichhop.printable import printable

LONGEST_TOLD = 500
"""Characters of one told line: a traceback's last line or a device's complaint fits."""
SETTLE_S = 600.0
"""How often `settle` is to be called: what did not come again for so long is over."""
MOST_LINES = 6
"""Of one part from one settling to the next: what comes and goes by the minute must not fill a disk."""

Act = Callable[[], Awaitable[None]]
Pause = Callable[[], float]

WAITS_S = (1.0, 5.0, 15.0, 60.0, 300.0)
"""After the first, second, ... failure in a row: soon, for what passes by itself; seldom for what stays."""
TOGETHER_S = 5.0
"""Pauses of at least so long end at its multiples: what waits for seconds shares a wake-up, and that costs
more than most of what is done in it."""


class Troubles:
    """One book for the whole agent, since the same failure may repeat every second for years.

    say: takes a line for whoever runs the agent. count: takes the part's name, each time.
    A part is known by a short fixed name, such as "modem-levels": it labels a metric.
    """

    def __init__(self, say: Callable[[str], None], count: Callable[[str], None]) -> None:
        self._say, self._count = say, count
        self._now: dict[str, bool] = {}
        """By part in trouble: whether its trouble passes by itself."""
        self._lately: set[str] = set()
        self._lines: Counter[str] = Counter()

    def wrong(self, part: str, text: str, *, passing: bool = False, another: bool = False) -> None:
        """A part failed; told only when it was well before, or fails for another reason now.

        passing: nobody will say that it is well again; so it is once it settles.
        """
        before = part in self._now
        self._now[part] = passing
        self._lately.add(part)
        self._count(part)
        if another or not before:
            self._tell(part, text)

    def survived(self, part: str, trouble: Exception) -> None:
        """An exception in a part of which nobody will say that it is well again."""
        self.wrong(part, words_of(trouble), passing=True)

    def of_the_loop(self, context: Mapping[str, object]) -> None:
        """What the event loop hears of a callback or a forgotten task: survived, whatever a stranger sent."""
        trouble = context.get("exception")
        words = words_of(trouble) if isinstance(trouble, BaseException) else ""
        self.wrong("event-loop", f"{context.get('message')}: {words}", passing=True)

    def well(self, part: str, text: str = "works again") -> None:
        """A part did its work; told only when it was in trouble before."""
        if self._now.pop(part, None) is not None:
            self._tell(part, text)

    def now(self) -> list[str]:
        """The parts that are in trouble now, sorted."""
        return sorted(self._now)

    def settle(self) -> None:
        """Forget passing troubles that did not come again since this was last called."""
        for part, passing in list(self._now.items()):
            if passing and part not in self._lately:
                del self._now[part]
        self._lately.clear()
        self._lines.clear()

    def _tell(self, part: str, text: str) -> None:
        self._lines[part] += 1
        if self._lines[part] == MOST_LINES:
            text = f"{text} (it comes and goes; no more of it is told for {SETTLE_S / 60:g} minutes)"
        if self._lines[part] <= MOST_LINES:
            self._say(printable(f"{part}: {text}", LONGEST_TOLD))


class Strangers:
    """Who was turned away: the first few are told, the others only counted, so that nobody fills a disk."""

    MOST_TOLD = 5

    def __init__(self, say: Callable[[str], None]) -> None:
        self._say = say
        self._came = 0

    def came(self, text: str) -> None:
        """One more was turned away."""
        self._came += 1
        if self._came <= self.MOST_TOLD:
            self._say(printable(text, LONGEST_TOLD))

    def settle(self) -> None:
        """Tell how many came beside those told, every SETTLE_S, and begin to tell again."""
        more = self._came - self.MOST_TOLD
        if more > 0:
            self._say(f"{more} more connections were turned away in the last {SETTLE_S / 60:g} minutes")
        self._came = 0


def words_of(trouble: BaseException) -> str:
    """An exception in one line, with its kind where it is none of ours that explains itself."""
    text = " ".join(str(trouble).split())
    return text if type(trouble).__module__.startswith("whichhop.") and text else f"{trouble!r}"


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
