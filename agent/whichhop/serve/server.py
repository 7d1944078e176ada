"""Runs the ASGI application under uvicorn inside the daemon's own event loop; signals stay the daemon's."""

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager
from email.utils import formatdate
from typing import Any

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from whichhop.net.listen import listening_socket
from whichhop.serve.app import App

IDLE_SECONDS = 10.0
"""A connection without a whole request for this long is closed: idle ones must not use up the places."""
MOST_CONNECTIONS = 64
_MOST_HEAD = 16 * 1024


class _ImpatientProtocol(H11Protocol):
    """uvicorn waits for a first request for ever; this does not. It dates its answers (RFC 9110 6.6.1)."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._was_idle = False
        self._watch = self.loop.call_later(IDLE_SECONDS, self._look)

    def data_received(self, data: bytes) -> None:
        self.server_state.default_headers = [(b"date", formatdate(usegmt=True).encode())]
        super().data_received(data)

    def connection_lost(self, exc: Exception | None) -> None:
        self._watch.cancel()
        super().connection_lost(exc)

    def _look(self) -> None:
        idle = self.cycle is None or self.cycle.response_complete
        if idle and (self._was_idle or self.cycle is None):
            self.transport.close()
            return
        self._was_idle = idle
        self._watch = self.loop.call_later(IDLE_SECONDS, self._look)


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

    def __init__(self, app: App, *, host: str, port: int) -> None:
        self._app = app
        self._host = host
        self.port = port
        """As asked for; after `start` the one that is used."""
        self._server: _GuestServer | None = None
        self._task: asyncio.Task[Any] | None = None

    async def start(self) -> None:
        """Listen; SystemRefusedError in one line when the address or port cannot be had."""
        sock = listening_socket(self._host, self.port, setting="ports.api in the home file")
        self.port = sock.getsockname()[1]
        config = uvicorn.Config(
            self._app,
            loop="none",
            http=_ImpatientProtocol,
            ws="none",
            lifespan="off",
            log_config=None,
            access_log=False,
            server_header=False,
            proxy_headers=False,
            limit_concurrency=MOST_CONNECTIONS,
            timeout_keep_alive=int(IDLE_SECONDS),
            timeout_graceful_shutdown=2,
            h11_max_incomplete_event_size=_MOST_HEAD,
        )
        self._server = _GuestServer(config)
        self._task = asyncio.create_task(self._server.serve(sockets=[sock]), name="http")
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
