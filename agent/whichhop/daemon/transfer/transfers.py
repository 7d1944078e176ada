"""Everything of transfers in one agent: the port, the keeper where it is the first, what runs by itself."""

import asyncio
import contextlib
from collections.abc import Callable
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from whichhop.daemon.agent import Agent
from whichhop.daemon.transfer.async_line import AsyncLine
from whichhop.daemon.transfer.lease import TransferKeeper, Use, zone_of
from whichhop.daemon.transfer.load_watch import LoadWatch
from whichhop.daemon.transfer.port import TransferPort
from whichhop.daemon.transfer.schedule import Due, planned
from whichhop.errors import RemoteError, WhichhopError
from whichhop.model import Home, Node, NodeKind, Reading
from whichhop.model.units import NS_PER_S, UtcNs
from whichhop.net.clock import Clock

if TYPE_CHECKING:
    from whichhop.daemon.transfer.runner import TransferRunner

FRESH_NS = 45 * NS_PER_S
"""Counts older than this say nothing of now."""
LATE_NS = 20 * 60 * NS_PER_S
"""A planned transfer that could not run is tried again for so long, then left out."""
FIRST_RETRY_NS = 60 * NS_PER_S
QUESTION_S = 3.0


class LineUse:
    """How fast the home uses its line, from cumulative byte counts. Pure."""

    def __init__(self) -> None:
        self._points: list[tuple[int, float, float]] = []

    def add(self, at_ns: int, received: float, sent: float) -> None:
        """Two counters read together; the last two readings count."""
        self._points = [*self._points[-1:], (at_ns, received, sent)]

    def now(self, now_ns: int) -> Use:
        """The rates between the last two readings; unknown when they are old or a counter fell."""
        if len(self._points) < 2 or now_ns - self._points[-1][0] > FRESH_NS:
            return Use()
        (t0, r0, s0), (t1, r1, s1) = self._points
        if t1 <= t0 or r1 < r0 or s1 < s0:
            return Use()
        seconds = (t1 - t0) / NS_PER_S
        return Use(down_bps=(r1 - r0) * 8 / seconds, up_bps=(s1 - s0) * 8 / seconds)


class Turns:
    """Which planned transfers of one agent are to be tried now: late ones wait longer each time. Pure."""

    def __init__(self, begin_ns: int) -> None:
        self._done_ns = begin_ns
        self._retry_ns: dict[Due, tuple[int, int]] = {}

    def ready(self, due: list[Due], now_ns: int) -> list[Due]:
        """Those whose time has come, that are not done or given up, and whose waiting is over."""
        return [
            d
            for d in due
            if self._done_ns < d.at_ns <= now_ns < d.at_ns + LATE_NS
            and self._retry_ns.get(d, (0, 0))[0] <= now_ns
        ]

    def skipped(self, due: Due, now_ns: int) -> None:
        """Try again after twice the last wait."""
        wait = max(self._retry_ns.get(due, (0, 0))[1] * 2, FIRST_RETRY_NS)
        self._retry_ns[due] = (now_ns + wait, wait)

    def done(self, due: Due) -> None:
        """Nothing planned up to this one is tried any more."""
        self._done_ns = max(self._done_ns, due.at_ns)
        self._retry_ns = {d: r for d, r in self._retry_ns.items() if d.at_ns > self._done_ns}


class Transfers:
    """One agent's transfers; `open`, then `turn` every half minute, `close` at the end."""

    def __init__(
        self,
        *,
        home: Callable[[], Home],
        node: Node,
        clock: Clock,
        key: bytes,
        agent: Agent,
        journal: Path,
        keep: Callable[[list[Reading]], None],
        refused: Callable[[], None],
        say: Callable[[str], None],
    ) -> None:
        self._home, self._node, self._clock, self._key, self._say = home, node, clock, key, say
        self.load = LoadWatch()
        self.line_use = LineUse()
        self._turns = Turns(clock.utc_ns())
        first = home().agents[0].name if home().agents else None
        self._keeper = TransferKeeper(home(), clock, journal, self._use) if first == node.name else None
        self._one, self._agent, self._keep = asyncio.Lock(), agent, keep

        def turned_away(text: str) -> None:
            refused()
            say(text)

        self.port = TransferPort(
            host=node.address or "",
            port=home().ports.transfer,
            key=key,
            one=self._one,
            keeper=self._keeper.answer if self._keeper else None,
            use=self._own_use,
            order=self._order,
            refused=turned_away,
        )

    @cached_property
    def _runner(self) -> "TransferRunner":
        """Loaded for the first transfer: most agents are hours away from one, and it weighs a megabyte."""
        from whichhop.daemon.transfer.runner import TransferRunner  # noqa: PLC0415

        return TransferRunner(
            node=self._node,
            home=self._home,
            clock=self._clock,
            key=self._key,
            one=self._one,
            agent=self._agent,
            watch=self.load,
            keeper=self._keeper,
            keep=self._keep,
        )

    async def _order(self, asked: dict[str, Any], line: AsyncLine) -> None:
        await self._runner.order(asked, line)

    def open(self) -> None:
        """Listen; SystemRefusedError when the port is refused."""
        self.port.open()

    async def close(self) -> None:
        """Stop listening; a transfer under way is broken off."""
        await self.port.close()
        if self._keeper is not None:
            self._keeper.close()

    def follow(self, home: Home) -> None:
        """Take a changed home file over."""
        if self._keeper is not None:
            self._keeper.home = home

    async def turn(self) -> None:
        """Run what this agent has planned for now."""
        home = self._home()
        if not home.limits.transfers_a_day or self._node.kind is NodeKind.PEER:
            return
        now = self._clock.utc_ns()
        here = datetime.fromtimestamp(now / NS_PER_S, UTC).astimezone(zone_of(home))
        mine = [d for d in planned(home, here) if d.pair.agent == self._node.name]
        for due in self._turns.ready(mine, now):
            try:
                each = due.octets // 2
                await self._runner.run(due.pair.other_end, ways=["out", "back"], limit_octets_each=each)
            except WhichhopError as trouble:
                self._turns.skipped(due, self._clock.utc_ns())
                self._say(f"the transfer {due.pair} was skipped: {trouble}")
            else:
                self._turns.done(due)

    async def _own_use(self, _: dict[str, Any]) -> dict[str, Any]:
        use = self.line_use.now(self._clock.utc_ns())
        return {"down_bps": use.down_bps, "up_bps": use.up_bps}

    async def _use(self) -> Use:
        """The home's use of its line now: our own count, else that of whoever counts."""
        own = self.line_use.now(UtcNs(self._clock.utc_ns()))
        if own.down_bps is not None:
            return own
        home = self._home()
        for other in home.agents:
            if other.name == self._node.name or other.wan_interface is None or other.address is None:
                continue
            with contextlib.suppress(RemoteError, TimeoutError):
                line = await AsyncLine.dial(
                    other.address,
                    home.ports.transfer,
                    key=self._key,
                    name=self._node.name,
                    seconds=QUESTION_S,
                )
                try:
                    async with asyncio.timeout(QUESTION_S):
                        await line.say(ask="use")
                        said = await line.hear()
                finally:
                    line.close()
                return Use(down_bps=said.get("down_bps"), up_bps=said.get("up_bps"))
        return Use()
