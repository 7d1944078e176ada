"""Runs the comparer beside the agent, in a process of its own, and keeps its newest word."""

import asyncio
import contextlib
import sys
from asyncio.subprocess import PIPE, Process
from collections.abc import Callable, Sequence

import msgspec

from whichhop.daemon.options import RunOptions
from whichhop.model.bulletin import Bulletin
from whichhop.net.clock import Clock
from whichhop.serve.live import LiveState

MOST_LINE = 8 << 20
FIRST_LINE_S = 600.0
"""The first time it may have days of the agents' history to fetch and to judge."""
NEXT_LINE_S = 120.0
"""It speaks every ten seconds; one that is silent for so long hangs."""
WAITS_S = (5.0, 15.0, 60.0, 300.0)
STEADY_S = 600.0
"""One that ran so long begins anew with the shortest wait when it ends."""
END_S = 5.0


def arguments(options: RunOptions) -> list[str]:
    """How the comparer is started; it reads the home file itself, and keeps what it collects by our store."""
    home_file = options.home_file
    words = ["compare", str(home_file), "--follow", "--json"]
    words += ["--store", str(options.store.with_name(f"{home_file.stem}.collected.db"))]
    words += ["--key", str(options.key_file)] if options.key_file else []
    return [sys.executable, "-m", "whichhop", *words]


def show(live: LiveState, line: bytes) -> None:
    """Put one bulletin where the exporter and the page find it; msgspec.MsgspecError when it is none."""
    bulletin = msgspec.json.decode(line, type=Bulletin)
    faults = {link.name: link.probability for link in bulletin.links}
    for finding in bulletin.findings:
        for element in finding.elements:
            faults[element] = max(faults.get(element, 0.0), finding.probability)
    live.faults = faults
    live.levels = {
        link.name: (link.level.level_s, link.level.usual_high_s)
        for link in bulletin.links
        if link.level is not None
    }
    live.episodes = {
        (str(verdict.cause), element) for verdict in bulletin.lasting for element in verdict.elements
    }
    live.bulletin = line


class Comparer:
    """Keeps one comparer going until it is closed; started again after a growing wait when it ends."""

    def __init__(
        self,
        argv: Sequence[str],
        live: LiveState,
        clock: Clock,
        say: Callable[[str], None],
        waits_s: Sequence[float] = WAITS_S,
    ) -> None:
        self._argv, self._live, self._clock, self._say = tuple(argv), live, clock, say
        self._waits_s = waits_s
        self._child: Process | None = None
        self._task: asyncio.Task[None] | None = None
        self._anew = False

    @property
    def pid(self) -> int | None:
        """The running comparer's process number; None when none runs."""
        return self._child.pid if self._child is not None and self._child.returncode is None else None

    def start(self) -> None:
        """Begin; returns at once."""
        self._live.bulletin = b""
        self._task = asyncio.create_task(self._run(), name="comparer")

    def restart(self) -> None:
        """Have it read the home file anew."""
        self._anew = True
        self._signal()

    async def close(self) -> None:
        """End it."""
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task

    async def _run(self) -> None:
        failures = 0
        while True:
            began_ns = self._clock.mono_ns()
            why = await self._once()
            # What nobody renews must not stand as if it were of now.
            self._live.faults, self._live.episodes, self._live.levels = {}, (), {}
            if self._anew:
                self._anew, failures = False, 0
                continue
            if self._clock.mono_ns() - began_ns > STEADY_S * 1e9:
                failures = 0
            wait_s = self._waits_s[min(failures, len(self._waits_s) - 1)]
            failures += 1
            self._say(f"the comparer {why}; it is started again in {wait_s:g} s, measuring goes on")
            await asyncio.sleep(wait_s)

    async def _once(self) -> str:
        """Run it to its end; why it ended."""
        try:
            child = await asyncio.create_subprocess_exec(
                *self._argv, stdin=asyncio.subprocess.DEVNULL, stdout=PIPE, stderr=PIPE, limit=MOST_LINE
            )
        except OSError as trouble:
            return f"could not be started ({trouble.strerror or trouble})"
        self._child = child
        assert child.stdout is not None  # noqa: S101 - both are pipes
        assert child.stderr is not None  # noqa: S101
        asides = asyncio.create_task(self._pass_on(child.stderr))
        try:
            why = await self._listen(child.stdout)
            return why or f"ended with code {await child.wait()}"
        finally:
            await self._end(child)
            asides.cancel()

    async def _listen(self, lines: asyncio.StreamReader) -> str:
        """Take bulletins until the end; why it had to be ended, "" when it ended by itself."""
        patience_s = FIRST_LINE_S
        while True:
            try:
                async with asyncio.timeout(patience_s):
                    line = await lines.readline()
                if not line:
                    return ""
                show(self._live, line)
            except TimeoutError:
                return f"said nothing for {patience_s:g} s"
            except (ValueError, msgspec.MsgspecError) as trouble:  # a line too long, or no bulletin
                return f"said what cannot be read ({trouble})"
            patience_s = NEXT_LINE_S

    async def _pass_on(self, lines: asyncio.StreamReader) -> None:
        with contextlib.suppress(ValueError):
            while line := await lines.readline():
                self._say(f"comparer: {line.decode(errors='replace').rstrip()[:500]}")

    def _signal(self) -> None:
        if self._child is not None and self._child.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                self._child.terminate()

    async def _end(self, child: Process) -> None:
        self._signal()
        try:
            async with asyncio.timeout(END_S):
                await child.wait()
        except TimeoutError:
            with contextlib.suppress(ProcessLookupError):
                child.kill()
            await child.wait()
