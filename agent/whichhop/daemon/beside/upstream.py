"""What an agent finds past the home: targets by name, routes, the provider's first hop; kept and renewed."""

import asyncio
from collections.abc import Callable
from pathlib import Path

from whichhop.daemon.beside.name_watch import NameWatch
from whichhop.daemon.beside.route_watch import RouteWatch
from whichhop.daemon.found_addresses import keep_found, read_found
from whichhop.daemon.home_in_use import HomeInUse
from whichhop.daemon.job_runner import JobRunner
from whichhop.errors import WhichhopError
from whichhop.model import PROVIDER_EDGE, Sample, SessionKey
from whichhop.net.clock import Clock
from whichhop.wire.ntp64 import ErrorEstimate


class Upstream:
    """Puts the watch of names and that of routes together, with the file that keeps what they found.

    file: where that is. found: takes a target's name and address. keep: a figure's name, target and value.
    """

    def __init__(
        self,
        home: HomeInUse,
        file: Path,
        jobs: JobRunner,
        clock: Clock,
        *,
        estimate: Callable[[], ErrorEstimate],
        found: Callable[[str, str], None],
        keep: Callable[[str, str, float], None],
        tell: Callable[[str], None],
        count: Callable[[], None],
    ) -> None:
        self._home, self._file, self._jobs, self._tell, self._found = home, file, jobs, tell, found
        self._kept = read_found(file)
        home.found.update(self._kept.names)
        home.place_found()
        self.names = NameWatch(home=lambda: home.now.home, found=home.found, place=self._place, tell=tell)
        self.routes = RouteWatch(
            now=lambda: home.now,
            clock=clock,
            estimate=estimate,
            keep=keep,
            found=self._edge_found,
            tell=tell,
            count=count,
        )
        self._jobs_now: list[asyncio.Task[None]] = []

    def _toward(self) -> str:
        """What the first hop is found on the way to, as the home file has it."""
        home = self._home.now.home
        peer = home.nodes[home.peers[0]] if home.peers else None
        return "" if peer is None else peer.host_name or peer.address or ""

    def _place(self, name: str, address: str) -> None:
        self._home.found[name] = address
        self._kept.names[name] = address
        self._keep()
        self._home.publish(self._home.now)

    def _edge_found(self, address: str) -> None:
        self._kept.edges = {self._toward(): address}
        self._keep()
        self._found(PROVIDER_EDGE, address)

    def _keep(self) -> None:
        try:
            keep_found(self._file, self._kept)
        except WhichhopError as trouble:
            self._tell(str(trouble))  # it only costs the next start some seconds

    def heard(self, key: SessionKey, sample: Sample) -> None:
        """A sample of any session: the edge's answers tell whether it is still there."""
        if key.target == PROVIDER_EDGE:
            self.routes.edge_sample(answered=sample.rtt_ns is not None)

    def begin(self) -> None:
        """Measure toward what was found last time, and look again from now on."""
        edge = self._kept.edges.get(self._toward())
        if edge and self._home.now.home.discover_edge and self.routes.edge is None:
            self.routes.edge = edge
            self._found(PROVIDER_EDGE, edge)
        self.routes.look_anew()
        for job in self._jobs_now:
            job.cancel()
        self._jobs_now = [
            self._jobs.paced("routes", lambda: self.routes.wait_s, self.routes.turn, at_once=True)
        ]

    def begin_names(self) -> None:
        """Look names up, now and for as long as the agent runs."""
        self._jobs.paced("names", lambda: self.names.wait_s, self.names.turn, at_once=True)
