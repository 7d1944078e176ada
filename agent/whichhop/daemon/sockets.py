"""What a home needs of the system: probers' sockets, the reflector's port, the API's.

Each class is opened once and later follows a changed home by a step of HomeInUse: what may be refused is
asked for in `prepare`, and the old one is given back only once everybody can follow.
"""

import asyncio
import ssl
from collections.abc import Callable, Iterable, Mapping

from msgspec import Struct

from whichhop.daemon.home_in_use import InUse
from whichhop.daemon.job_runner import JobRunner
from whichhop.model import Method
from whichhop.net.clock import Clock
from whichhop.net.tls import server_context, show
from whichhop.probes.admission import Admission
from whichhop.probes.base import Prober
from whichhop.probes.kinds.stamp_reflector import StampReflector
from whichhop.serve.app import App
from whichhop.serve.door import Door
from whichhop.serve.server import Server
from whichhop.wire.ntp64 import ErrorEstimate

Probers = Mapping[Method, Prober]


class Swap(Struct, frozen=True):
    """A step that is two acts."""

    commit: Callable[[], None]
    undo: Callable[[], None]


class ProbersInUse:
    """make: the probers that a home needs. give: takes them into use."""

    def __init__(self, make: Callable[[InUse], Probers], give: Callable[[Probers], None]) -> None:
        self._make, self._give = make, give
        self._now: Probers = {}

    def open(self, first: InUse) -> None:
        """Get the sockets; SystemRefusedError when one is refused, with nothing left open."""
        fresh = self._opened(first)
        self._now = fresh
        self._give(fresh)

    def _opened(self, home: InUse) -> Probers:
        fresh, loop = self._make(home), asyncio.get_running_loop()
        opened: list[Prober] = []
        try:
            for prober in fresh.values():
                prober.open(loop)
                opened.append(prober)
        except BaseException:
            _close(opened)
            raise
        return fresh

    def prepare(self, new: InUse) -> Swap:
        """Sockets of their own for the new home."""
        fresh = self._opened(new)

        def commit() -> None:
            old, self._now = self._now, fresh
            self._give(fresh)
            _close(old.values())

        return Swap(commit, lambda: _close(fresh.values()))

    def close(self) -> None:
        """Give them back."""
        _close(self._now.values())


def _close(probers: Iterable[Prober]) -> None:
    for prober in probers:
        prober.close()


class ReflectorInUse:
    """The reflector, and the admission before it."""

    def __init__(self, clock: Clock, estimate: Callable[[], ErrorEstimate]) -> None:
        self._clock, self._estimate = clock, estimate
        self._home: InUse | None = None
        self._admission: Admission | None = None
        self._reflector: StampReflector | None = None

    def _made(self, home: InUse) -> tuple[Admission, StampReflector]:
        admission = Admission(home.answered, services=[home.home.ports.stamp], own=home.node.address or "")
        reflector = StampReflector(
            self._clock,
            admission,
            self._estimate,
            bind=home.node.address or "",
            port=home.home.ports.stamp,
            key=home.signs,
        )
        reflector.open(asyncio.get_running_loop())
        return admission, reflector

    def open(self, first: InUse) -> None:
        """Listen; SystemRefusedError when the port is refused."""
        self._admission, self._reflector = self._made(first)
        self._home = first

    def prepare(self, new: InUse) -> Swap:
        """A port of its own where address or port change; else the admission and the key change in place."""
        old = self._home
        moves = old is None or (old.node.address, old.home.ports.stamp) != (
            new.node.address,
            new.home.ports.stamp,
        )
        fresh = self._made(new) if moves else None

        def commit() -> None:
            self._home = new
            if fresh is None and old is not None and old.signs == new.signs:
                # Whoever was turned away before is judged anew: an agent just added is answered at once.
                assert self._admission is not None  # noqa: S101 - opened before any change
                self._admission.allow(new.answered)
                return
            self.close()
            self._admission, self._reflector = fresh or self._made(new)

        def undo() -> None:
            if fresh is not None:
                fresh[1].close()

        return Swap(commit, undo)

    def refresh(self) -> dict[str, int]:
        """Look at our clock's error again, about once a minute; what was not answered so far, by reason."""
        if self._reflector is None:
            return {}
        self._reflector.refresh()
        return self._reflector.dropped()

    def close(self) -> None:
        """Stop listening."""
        if self._reflector is not None:
            self._reflector.close()
            self._reflector = None


class ApiInUse:
    """The ports of the page, the metrics and the API: in the clear, and in TLS."""

    def __init__(self, app: App, jobs: JobRunner) -> None:
        self._app, self._jobs = app, jobs
        self._home: InUse | None = None
        self._context: ssl.SSLContext | None = None
        self._servers: dict[str, Server] = {}

    @property
    def server(self) -> Server | None:
        """The one in the clear, which shows the page and the metrics."""
        return self._servers.get("api")

    @property
    def turned_away(self) -> int:
        """Connections closed so far to make room for others, at both ports."""
        return sum(server.turned_away for server in self._servers.values())

    def _opened(self, home: InUse, old: InUse | None) -> dict[str, Server]:
        """Servers with their ports, for those whose place is another than in `old`."""
        fresh: dict[str, Server] = {}
        try:
            for name in ("api", "tls"):
                place = _place(home, name)
                if old is None or place != _place(old, name):
                    context = self._context if name == "tls" else None
                    host, port = place
                    server = Server(self._app, host=host, port=port, context=context, setting=f"ports.{name}")
                    server.open()
                    fresh[name] = server
        except BaseException:
            _shut(fresh)
            raise
        return fresh

    def _take(self, home: InUse) -> None:
        self._home = home
        self._app.door = Door(
            token=home.api_token,
            identity=home.identity,
            password=home.page_password,
            tls_port=home.home.ports.tls,
            tls_only=True,
        )

    async def open(self, first: InUse) -> None:
        """Answer; SystemRefusedError when a port is refused."""
        self._context = server_context(first.certificate, first.secret)
        self._servers = self._opened(first, None)
        self._take(first)
        for server in self._servers.values():
            await server.start()

    def prepare(self, new: InUse) -> Swap:
        """Ports of their own where address or port change; token and certificate change in place."""
        old = self._home
        fresh = self._opened(new, old)

        def commit() -> None:
            if old is not None and self._context is not None and new.certificate != old.certificate:
                show(self._context, new.certificate, new.secret)
            self._take(new)
            for name, server in fresh.items():
                before = self._servers.get(name)
                self._servers[name] = server
                self._jobs.once(f"{name}-start", server.start)
                if before is not None:
                    self._jobs.once(f"{name}-stop", before.stop)

        return Swap(commit, lambda: _shut(fresh))

    async def close(self) -> None:
        """Close the ports."""
        for server in self._servers.values():
            await server.stop()


def _place(home: InUse, name: str) -> tuple[str, int]:
    ports = home.home.ports
    return home.node.address or "", ports.api if name == "api" else ports.tls


def _shut(servers: Mapping[str, Server]) -> None:
    for server in servers.values():
        server.shut()
