"""Everything of transfers in one agent: the port, the keeper where it is the first, what runs by itself."""

import asyncio
import contextlib
from collections.abc import Callable
from datetime import UTC, datetime
from functools import cached_property
from typing import TYPE_CHECKING, Any

from whichhop.daemon.agent import Agent
from whichhop.daemon.home_in_use import InUse
from whichhop.daemon.job_runner import JobRunner
from whichhop.daemon.transfer.async_line import AsyncLine
from whichhop.daemon.transfer.lease import LeaseTable, LeaseUse, LineUse, LoadWatch, TransferKeeper
from whichhop.daemon.transfer.port import TransferPort
from whichhop.daemon.transfer.schedule import Turns, planned
from whichhop.errors import RemoteError, WhichhopError
from whichhop.model import NodeKind, Reading
from whichhop.model.figure_words import zone_of
from whichhop.model.units import NS_PER_S, UtcNs
from whichhop.net.child import RunChild
from whichhop.net.clock import Clock
from whichhop.outside import OutsideError, number

if TYPE_CHECKING:
    from whichhop.daemon.transfer.runner import TransferRunner

QUESTION_S = 3.0
MOST_BPS = 1e13
"""Ten terabits a second: what another agent says of its counters is not believed beyond."""


class _PortMoves:
    """The step to another address, port or key of the transfer port."""

    def __init__(self, transfers: "Transfers", fresh: TransferPort | None, key: bytes) -> None:
        self._transfers, self._fresh, self._key = transfers, fresh, key

    def commit(self) -> None:
        """Take connections at the new place; talks under way at the old one go on."""
        transfers, fresh = self._transfers, self._fresh
        if fresh is not None:
            transfers.port.shut()
            transfers.port = fresh
            fresh.listen()
        transfers.port.key = self._key

    def undo(self) -> None:
        """Give the new place back."""
        if self._fresh is not None:
            self._fresh.shut()


class Transfers:
    """One agent's transfers; `open` and `listen`, then `turn` every half minute, `close` at the end.

    now: the home in use. table: where leases are kept. refused: takes a line about who was turned away.
    run: runs the processes that move data.
    """

    def __init__(
        self,
        *,
        now: Callable[[], InUse],
        clock: Clock,
        agent: Agent,
        table: LeaseTable,
        keep: Callable[[list[Reading]], None],
        refused: Callable[[str], None],
        say: Callable[[str], None],
        jobs: JobRunner,
        run: RunChild,
    ) -> None:
        self._now, self._clock, self._say = now, clock, say
        self._refused, self._jobs, self._run = refused, jobs, run
        self.load = LoadWatch()
        self.line_use = LineUse()
        self._turns = Turns(clock.utc_ns())
        self._one, self._agent, self._keep = asyncio.Lock(), agent, keep
        self._kept = TransferKeeper(lambda: now().home, clock, table, self._use)
        self.port = self._port(now())

    def _port(self, place: InUse) -> TransferPort:
        return TransferPort(
            host=place.node.address or "",
            port=place.home.ports.transfer,
            key=place.transfer_key,
            one=self._one,
            keeper=lambda: keeper.answer if (keeper := self._keeper()) else None,
            use=self._own_use,
            order=self._order,
            refused=self._refused,
            jobs=self._jobs,
            run=self._run,
        )

    def _keeper(self) -> TransferKeeper | None:
        """Our own keeper, where this agent is the first of the home file as it is now."""
        agents = self._now().home.agents
        return self._kept if agents and agents[0].name == self._now().node.name else None

    @cached_property
    def _runner(self) -> "TransferRunner":
        """Loaded for the first transfer: most agents are hours away from one, and it weighs a megabyte."""
        from whichhop.daemon.transfer.runner import TransferRunner  # noqa: PLC0415

        return TransferRunner(
            now=self._now,
            clock=self._clock,
            one=self._one,
            agent=self._agent,
            watch=self.load,
            keeper=self._keeper,
            run=self._run,
            keep=self._keep,
        )

    async def _order(self, asked: dict[str, Any], line: AsyncLine) -> None:
        await self._runner.order(asked, line)

    def open(self) -> None:
        """Get the port; SystemRefusedError when it is refused."""
        self.port.open()

    def listen(self) -> None:
        """Take connections from now on."""
        self.port.listen()

    async def close(self) -> None:
        """Stop listening; a transfer under way is broken off."""
        await self.port.close()

    def prepare(self, new: InUse) -> _PortMoves:
        """Get the port of a changed home file; SystemRefusedError when it is refused."""
        fresh = None
        place = (new.node.address or "", new.home.ports.transfer)
        before = self._now()
        if place != (before.node.address or "", before.home.ports.transfer):
            fresh = self._port(new)
            fresh.open()
        return _PortMoves(self, fresh, new.transfer_key)

    async def turn(self) -> None:
        """Run what this agent has planned for now."""
        home, node = self._now().home, self._now().node
        if not home.limits.transfers_a_day or node.kind is NodeKind.PEER:
            return
        now = self._clock.utc_ns()
        here = datetime.fromtimestamp(now / NS_PER_S, UTC).astimezone(zone_of(home))
        mine = [d for d in planned(home, here) if d.pair.agent == node.name]
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

    async def _use(self) -> LeaseUse:
        """The home's use of its line now: our own count, else that of whoever counts."""
        own = self.line_use.now(UtcNs(self._clock.utc_ns()))
        if own.down_bps is not None:
            return own
        now = self._now()
        for other in now.home.agents:
            if other.name == now.node.name or other.wan_interface is None or other.address is None:
                continue
            with contextlib.suppress(RemoteError, OutsideError, TimeoutError):
                line = await AsyncLine.dial(
                    other.address,
                    now.home.ports.transfer,
                    key=now.transfer_key,
                    name=now.node.name,
                    seconds=QUESTION_S,
                )
                try:
                    async with asyncio.timeout(QUESTION_S):
                        await line.say(ask="use")
                        said = await line.hear()
                finally:
                    line.close()
                down, up = (
                    None if said.get(way) is None else number(said[way], other.name, low=0, high=MOST_BPS)
                    for way in ("down_bps", "up_bps")
                )
                return LeaseUse(down_bps=down, up_bps=up)
        return LeaseUse()
