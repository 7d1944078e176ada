"""Runs the ASGI application under uvicorn inside the daemon's own event loop; signals stay the daemon's."""

import asyncio
import socket
import ssl
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from email.utils import formatdate
from typing import Any

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from whichhop.net.listen import listening_socket
from whichhop.net.places import Places
from whichhop.serve.app import App

IDLE_SECONDS = 10.0
"""A connection without a whole request for this long is closed: idle ones must not use up the places."""
MOST_CONNECTIONS = 64
MOST_EACH = 16
"""Of one address: a browser holds six, a home behind one address has a few of them."""
UNTAKEN_LOOKS = 7
"""An answer that is not taken within so many looks is given up; the page is taken in a second."""
AT_ONCE = 32
"""Connections accepted in one go, before any of them can be turned away."""
_MOST_HEAD = 16 * 1024


class _ImpatientProtocol(H11Protocol):
    """uvicorn waits for a request, and for its answer to be taken, for ever; this does not.

    Answers are dated (RFC 9110 6.6.1).
    """

    door: "_Door"
    """Where its connections came in: set in a class of its own for each server."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._was_idle, self._looks = False, 0
        self._watch = self.loop.call_later(IDLE_SECONDS, self._look)

    def data_received(self, data: bytes) -> None:
        self.server_state.default_headers = [(b"date", formatdate(usegmt=True).encode())]
        super().data_received(data)
        self._at_work()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        self._looks = 0
        self._at_work()

    def _at_work(self) -> None:
        if self.client is not None:
            busy = self.cycle is not None and not self.cycle.response_complete
            self.door.places.at_work(self.client, is_so=busy)

    def connection_lost(self, exc: Exception | None) -> None:
        self._watch.cancel()
        if self.client is not None:
            self.door.left(self.client)
        super().connection_lost(exc)

    def _look(self) -> None:
        idle = self.cycle is None or self.cycle.response_complete
        if idle and (self._was_idle or self.cycle is None):
            self.transport.close()
            return
        self._looks += 1
        if not idle and self._looks >= UNTAKEN_LOOKS:
            self.transport.abort()
            return
        self._was_idle = idle
        self._watch = self.loop.call_later(IDLE_SECONDS, self._look)


class _Door(socket.socket):
    """A listening socket that bounds who comes in, before TLS and HTTP have said a word.

    A connection that has asked nothing yet, or is still shaking hands, makes room for others. One is known by
    the address and port it comes from.
    """

    places: Places[tuple[str, int]]
    inside: dict[tuple[str, int], socket.socket]

    @classmethod
    def of(cls, listening: socket.socket) -> "_Door":
        """The same socket, guarded."""
        door = cls(fileno=listening.detach())
        door.setblocking(False)
        door.places = Places(MOST_CONNECTIONS, MOST_EACH)
        door.inside = {}
        return door

    def accept(self) -> tuple[socket.socket, Any]:
        """The next connection that has a place; ConnectionAbortedError for one that has none."""
        connection, address = super().accept()
        # One whose handshake failed has told nobody that it is gone.
        for gone in [who for who, its in self.inside.items() if its.fileno() < 0]:
            self.left(gone)
        who = (str(address[0]), int(address[1]))
        out = self.places.enter(who, who[0])
        if out is who:
            connection.close()
            raise ConnectionAbortedError
        if out is not None:
            with suppress(OSError):  # gone meanwhile
                self.inside.pop(out).shutdown(socket.SHUT_RDWR)
        self.inside[who] = connection
        return connection, address

    def left(self, who: tuple[str, int]) -> None:
        """A connection is over."""
        self.places.leave(who)
        self.inside.pop(who, None)


class _GuestServer(uvicorn.Server):
    """A server that leaves the process's signals to the daemon, and sleeps until it is asked or stopped.

    uvicorn's own loop wakes ten times a second, as often as ten sessions' packets, to write the date anew.
    """

    def __init__(self, config: uvicorn.Config) -> None:
        super().__init__(config)
        self.stopping = asyncio.Event()

    async def main_loop(self) -> None:
        await self.stopping.wait()

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


class Server:
    """The daemon's HTTP side: `await start()`, later `await stop()`."""

    def __init__(
        self,
        app: App,
        *,
        host: str,
        port: int,
        context: ssl.SSLContext | None = None,
        setting: str = "ports.api",
    ) -> None:
        """context: answer in TLS. setting: the key of the home file that names the port."""
        self._app, self._context, self._setting = app, context, setting
        self._host = host
        self.port = port
        """As asked for; after `start` the one that is used."""
        self._sock: _Door | None = None
        self._server: _GuestServer | None = None
        self._task: asyncio.Task[Any] | None = None
        self._refused = 0

    @property
    def turned_away(self) -> int:
        """Connections closed so far to make room for others."""
        return self._refused + (0 if self._sock is None else self._sock.places.refused)

    def open(self) -> None:
        """Get the port; SystemRefusedError in one line when the address or port cannot be had."""
        if self._sock is None:
            setting = f"{self._setting} in the home file"
            self._sock = _Door.of(listening_socket(self._host, self.port, setting=setting))
            self.port = self._sock.getsockname()[1]

    async def start(self) -> None:
        """Answer from now on; SystemRefusedError as `open` has it, where that was not asked for before."""
        self.open()
        assert self._sock is not None  # noqa: S101 - open got it or raised
        context = self._context
        protocol = type("Protocol", (_ImpatientProtocol,), {"door": self._sock})
        config = uvicorn.Config(
            self._app,
            loop="none",
            http=protocol,
            backlog=AT_ONCE,
            ws="none",
            lifespan="off",
            log_config=None,
            access_log=False,
            server_header=False,
            proxy_headers=False,
            timeout_keep_alive=int(IDLE_SECONDS),
            timeout_graceful_shutdown=2,
            h11_max_incomplete_event_size=_MOST_HEAD,
            ssl_context_factory=None if context is None else lambda *_: context,
        )
        self._server = _GuestServer(config)
        self._task = asyncio.create_task(self._server.serve(sockets=[self._sock]), name="http")
        while not self._server.started and not self._task.done():
            await asyncio.sleep(0)
        if self._task.done():
            await self._task

    async def stop(self) -> None:
        """Close the port; answers under way get two seconds."""
        if self._server is not None and self._task is not None:
            self._server.stopping.set()
            await self._task
            self._server = self._task = None
        self.shut()

    def shut(self) -> None:
        """Give the port back, whether or not it was ever answered on."""
        if self._sock is not None:
            self._refused += self._sock.places.refused
            self._sock.close()
            self._sock = None
