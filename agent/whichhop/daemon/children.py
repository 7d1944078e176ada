"""The one supervisor of child processes: keeps them going, reads them in bounds, ends them with the agent."""

import asyncio
from asyncio.subprocess import Process
from collections.abc import Callable, Coroutine, Sequence
from typing import Any

from msgspec import Struct, field

from whichhop.daemon.job_runner import LONGEST_TOLD, WAITS_S, JobRunner, Troubles, words_of
from whichhop.errors import SystemRefusedError
from whichhop.model.units import NS_PER_S
from whichhop.net.child import started
from whichhop.net.clock import Clock
from whichhop.printable import printable

STEADY_S = 600.0
"""A child that ran so long begins anew with the shortest wait when it ends."""
MOST_LINES_A_SECOND = 50.0
"""On average; the busiest child of ours says five lines a second."""
LINES_AT_ONCE = 200.0
BAD_LINES = 10
"""So many in a row, and the child is begun again: it will not come to its senses."""
SILENT_END_S = 60.0
"""How long a child may live on after it has closed its stdout."""
LAST_WORDS_S = 1.0
ASIDES = 20
"""Lines on stderr passed on in one life of a child; a traceback has fewer."""


class Command(Struct, frozen=True, kw_only=True):
    """One life of a child. given: put on its stdin, which then stays open: its end tells the child to go.

    first_s, next_s: it hangs when it is silent for so long, before its first line and between two.
    """

    argv: Sequence[str]
    given: bytes = b""
    line_octets: int = 1 << 16
    first_s: float = float("inf")
    next_s: float = float("inf")


class KeptChild(Struct):
    """A child that is kept going. pid: of its present life, None between two."""

    name: str
    task: "asyncio.Task[None] | None" = None
    pid: int | None = None
    anew: asyncio.Event = field(default_factory=asyncio.Event)

    def begin_anew(self) -> None:
        """End the present life without a word and begin the next one at once."""
        self.anew.set()

    def end_soon(self) -> None:
        """End it for good; returns at once."""
        if self.task is not None:
            self.task.cancel()
            self.task = None


class _Allowance(Struct):
    """How many lines a child may still say: a token bucket."""

    tokens: float
    at_ns: int

    def spend(self, now_ns: int) -> bool:
        more = (now_ns - self.at_ns) / NS_PER_S * MOST_LINES_A_SECOND
        self.tokens, self.at_ns = min(LINES_AT_ONCE, self.tokens + more) - 1, now_ns
        return self.tokens >= 0


class Children:
    """Every child process of the agent. It never fails itself: what a child does is told once and counted.

    say: takes what a child says on stderr, a line at a time and not too much of it.
    """

    def __init__(
        self,
        jobs: JobRunner,
        troubles: Troubles,
        clock: Clock,
        say: Callable[[str], None],
        waits_s: Sequence[float] = WAITS_S,
    ) -> None:
        self._jobs, self._troubles, self._clock, self._say = jobs, troubles, clock, say
        self._waits_s = waits_s

    def keep(
        self,
        name: str,
        command: Callable[[], Command],
        hear: Callable[[bytes], None],
        *,
        over: Callable[[], None] = lambda: None,
    ) -> KeptChild:
        """Keep a child going until it is ended.

        name: also the label of the metric of failures. command: asked before each life. hear: takes each
        line; whatever it raises is told once and counted. over: called after each life, however it ended.
        """
        kept = KeptChild(name)
        kept.task = self._jobs.standing(name, lambda: self._lives(kept, command, hear, over))
        return kept

    async def _lives(
        self,
        kept: KeptChild,
        command: Callable[[], Command],
        hear: Callable[[bytes], None],
        over: Callable[[], None],
    ) -> None:
        failures = 0
        while True:
            begun_ns = self._clock.mono_ns()
            try:
                why = await self._life(kept, command(), hear)
            finally:
                kept.pid = None
                over()
            if kept.anew.is_set():
                kept.anew.clear()
                failures = 0
                continue
            if self._clock.mono_ns() - begun_ns > STEADY_S * NS_PER_S:
                self._troubles.well(kept.name)
                failures = 0
            wait_s = self._waits_s[min(failures, len(self._waits_s) - 1)]
            failures += 1
            self._troubles.wrong(
                kept.name, f"its process {why}; it is begun again in {wait_s:g} s, measuring goes on"
            )
            await _sleep_or(kept.anew, wait_s)
            kept.anew.clear()

    async def _life(self, kept: KeptChild, command: Command, hear: Callable[[bytes], None]) -> str:
        """One life, to its end; why it ended."""
        asides: asyncio.Task[None] | None = None
        try:
            async with started(command.argv, line_octets=command.line_octets) as child:
                kept.pid = child.pid
                assert child.stdin is not None  # noqa: S101 - all three are pipes
                assert child.stdout is not None  # noqa: S101
                assert child.stderr is not None  # noqa: S101
                child.stdin.write(command.given)
                asides = asyncio.create_task(self._pass_on(kept.name, child.stderr))
                return await self._until_over(
                    kept, child, self._listen(kept.name, child.stdout, command, hear)
                )
        except SystemRefusedError as trouble:
            return str(trouble)
        except (OSError, TimeoutError) as trouble:
            return f"broke off ({words_of(trouble)})"
        finally:
            if asides is not None:  # its last words are said once it has ended
                await asyncio.wait({asides}, timeout=LAST_WORDS_S)
                asides.cancel()
                await asyncio.gather(asides, return_exceptions=True)

    async def _until_over(self, kept: KeptChild, child: Process, listening: Coroutine[Any, Any, str]) -> str:
        heard = asyncio.create_task(listening)
        anew = asyncio.create_task(kept.anew.wait())
        try:
            await asyncio.wait((heard, anew), return_when=asyncio.FIRST_COMPLETED)
            if not heard.done():
                return ""
            why = heard.result()
            if why:
                return why
            async with asyncio.timeout(SILENT_END_S):
                return f"ended with code {await child.wait()}"
        finally:
            heard.cancel()
            anew.cancel()
            await asyncio.gather(heard, anew, return_exceptions=True)

    async def _listen(
        self, name: str, lines: asyncio.StreamReader, command: Command, hear: Callable[[bytes], None]
    ) -> str:
        """Hand lines on until the end; why the child must be ended, "" when it ended by itself."""
        patience_s, bad = command.first_s, 0
        allowance = _Allowance(LINES_AT_ONCE, self._clock.mono_ns())
        begun_ns, steady = self._clock.mono_ns(), False
        while True:
            try:
                async with asyncio.timeout(patience_s if patience_s < 1e9 else None):
                    line = await lines.readline()
            except TimeoutError:
                return f"said nothing for {patience_s:g} s"
            except ValueError:
                return f"said a line of more than {command.line_octets} octets"
            if not line:
                return ""
            if not allowance.spend(self._clock.mono_ns()):
                return f"said more than {MOST_LINES_A_SECOND:g} lines a second"
            patience_s = command.next_s
            try:
                hear(line)
            except Exception as trouble:  # noqa: BLE001 - whatever a line does to its reader, the agent goes on
                bad += 1
                said = f"said what cannot be read ({words_of(trouble)})"
                self._troubles.wrong(f"{name}-lines", said, passing=True)
                if bad == BAD_LINES:
                    return f"said {BAD_LINES} lines in a row that cannot be read"
                continue
            bad = 0
            if not steady and self._clock.mono_ns() - begun_ns > STEADY_S * NS_PER_S:
                steady = True
                self._troubles.well(name)

    async def _pass_on(self, name: str, lines: asyncio.StreamReader) -> None:
        said = 0
        while True:
            try:
                line = await lines.readline()
            except ValueError:
                continue  # too long: what was read of it is gone
            if not line:
                return
            said += 1
            if said <= ASIDES:
                self._say(printable(f"{name}: {line.decode(errors='replace').rstrip()}", LONGEST_TOLD))
            elif said == ASIDES + 1:
                self._say(f"{name}: says more, which is left out")


async def _sleep_or(event: asyncio.Event, seconds: float) -> None:
    try:
        async with asyncio.timeout(seconds):
            await event.wait()
    except TimeoutError:
        pass
