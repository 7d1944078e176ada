"""Writes the agent's windows to the fleet's server that the home file names, and nowhere without one."""

import asyncio
from collections.abc import Iterable, Sequence
from pathlib import Path

import msgspec

from whichhop.daemon.children import Children, Command, KeptChild
from whichhop.daemon.fleet.talk import WriteTask, Written
from whichhop.daemon.fleet.windows import FleetWindows
from whichhop.daemon.job_runner import JobRunner, Troubles
from whichhop.errors import WhichhopError
from whichhop.model import Home, Reading, Record, Sample, SessionKey, derive_sessions
from whichhop.model.fleet import Fleet, Series
from whichhop.net.child import our_module
from whichhop.net.clock import Clock
from whichhop.outside import typed
from whichhop.serve.live import LiveState
from whichhop.store.outbox import Outbox, opened

TURN_S = 30.0
"""How often closed windows are put on disk: three in a frame, which spares a small box's flash memory."""
NEXT_LINE_S = 7200.0
"""A child that waits as long as a server asked for is silent so long."""
MOST_LINE = 4096
FULL = "fleet-queue"


class FleetWriter:
    """One agent's part in a fleet. path: the outbox, beside the agent's store."""

    def __init__(
        self,
        path: Path,
        clock: Clock,
        live: LiveState,
        *,
        troubles: Troubles,
        children: Children,
        jobs: JobRunner,
    ) -> None:
        self._path, self._clock, self._live = path, clock, live
        self._troubles, self._children, self._jobs = troubles, children, jobs
        self._begun = False
        self._settings: Fleet | None = None
        self._windows: FleetWindows | None = None
        self._outbox: Outbox | None = None
        self._child: KeptChild | None = None
        self._sent: Written | None = None
        self._failing = False

    def follow(self, home: Home, agent: str) -> None:
        """Take over a home, and its server or that there is none."""
        before, self._settings = self._settings, home.fleet
        if home.fleet is None:
            self._stop()
            return
        mine = frozenset(s.key for s in derive_sessions(home) if s.key.agent == agent)
        if self._windows is None:
            self._windows = FleetWindows(home.name, agent, home.fleet.region, mine)
        else:
            self._windows.home, self._windows.keys = home.name, mine
            self._windows.region = home.fleet.region
        if not self._begun:
            self._begun = True
            self._jobs.after_pauses("fleet-windows", TURN_S, self.turn)
        if before is None:
            self._child = self._children.keep("fleet", self._command, self._heard)
        elif self._child is not None and (before != home.fleet or self._failing):
            # While the server refuses, who has the file read again has put something right, such as the
            # token in a file of its own, and need not wait for the next try.
            self._child.begin_anew()

    def _stop(self) -> None:
        if self._child is not None:
            self._child.end_soon()
        self._let_go()
        self._child = self._windows = None

    def _let_go(self) -> None:
        if self._outbox is not None:
            self._outbox.close()
        self._outbox = None

    def _command(self) -> Command:
        assert self._settings is not None  # noqa: S101 - the child is kept only while there are some
        task = WriteTask(settings=self._settings, outbox=str(self._path))
        return Command(
            argv=tuple(our_module("whichhop.app.fleet.write_child")),
            given=msgspec.json.encode(task) + b"\n",
            line_octets=MOST_LINE,
            first_s=60.0,
            next_s=NEXT_LINE_S,
        )

    def _heard(self, line: bytes) -> None:
        said = typed(line, "the process that writes to the fleet", Written, most=MOST_LINE)
        before = self._sent
        if before is None or said.sent < before.sent or said.given_up < before.given_up:  # a child's new life
            before = Written(sent=0, given_up=0, waiting=0, trouble="")
        values = self._live.values
        for name, more in (("sent", said.sent - before.sent), ("given_up", said.given_up - before.given_up)):
            values[f"fleet_samples_{name}"] = values.get(f"fleet_samples_{name}", 0.0) + more
        values["fleet_samples_waiting"] = float(said.waiting)
        self._sent, self._failing = said, bool(said.trouble)
        if not said.waiting:
            self._troubles.well(FULL, "has room again")
        if said.trouble:
            # What goes by itself is told once, however it changes; what somebody must put right each time.
            another = said.trouble != before.trouble and "tried again" not in said.trouble
            self._troubles.wrong("fleet-server", said.trouble, another=another)
        else:
            self._troubles.well("fleet-server", "takes what is written again")

    def observe(self, key: SessionKey, sample: Sample) -> None:
        """Count one vetted sample."""
        if self._windows is not None:
            self._windows.observe(key, sample)

    def kept(self, records: Iterable[Record], readings: Iterable[Reading]) -> None:
        """Take in what the agent is about to store."""
        if self._windows is not None:
            self._windows.kept(records, readings)

    async def turn(self) -> None:
        """Put what has closed on the disk; a disk that refuses costs these windows, and is told."""
        if self._windows is None or self._settings is None:
            return
        series = self._windows.close(self._clock.utc_ns())
        if not series:
            return
        try:
            gone = await asyncio.to_thread(self._put, self._settings, series)
        except WhichhopError as why:
            self._let_go()
            self._troubles.wrong("fleet-outbox", f"{why}; what was measured now is not written to the fleet")
            return
        self._troubles.well("fleet-outbox")
        if gone:
            values = self._live.values
            values["fleet_samples_given_up"] = values.get("fleet_samples_given_up", 0.0) + gone
            self._troubles.wrong(
                FULL, f"the queue is full (fleet: queue_mb); {gone} of its oldest values went"
            )

    def _put(self, settings: Fleet, series: Sequence[Series]) -> int:
        if self._outbox is None:
            self._outbox = opened(self._path, settings.queue_octets)
        self._outbox.most_octets = settings.queue_octets  # it may have changed since
        return self._outbox.put(series)

    async def close(self) -> None:
        """Put what has closed on the disk for the next start, and let go."""
        await self.turn()
        self._stop()
