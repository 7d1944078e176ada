"""The ports where the daemon answers HTTP, in its own event loop: who may come in, begin and end."""

import asyncio
import gc
import socket
import ssl
from contextlib import suppress
from typing import Any

from whichhop.net.listen import Places, listening_socket
from whichhop.serve.connection import Application, HttpConnection, Who

MOST_CONNECTIONS = 64
MOST_EACH = 16
"""Of one address: a browser holds six, a home behind one address has a few of them."""
AT_ONCE = 32
"""Connections accepted in one go, before any of them can be turned away."""
MOST_UNSWEPT = 32
"""Connections whose handshake failed before what they leave is swept up: asyncio leaves each as a cycle with
some 50 kB of the TLS library's, which the collector, counting objects, would let come to many MB."""
PARTING_SECONDS = 2.0
"""What answers under way have left when the server stops."""


class _Door(socket.socket):
    """A listening socket that bounds who comes in, before TLS and HTTP have said a word.

    A connection that has asked nothing yet, or is still shaking hands, makes room for others. One is known by
    the address and port it comes from.
    """

    unswept: int
    places: Places[Who]
    inside: dict[Who, socket.socket]
    speaking: dict[Who, HttpConnection]

    @classmethod
    def of(cls, listening: socket.socket) -> "_Door":
        """The same socket, guarded."""
        door = cls(fileno=listening.detach())
        door.setblocking(False)
        door.places = Places(MOST_CONNECTIONS, MOST_EACH)
        door.unswept = 0
        door.inside = {}
        door.speaking = {}
        return door

    def accept(self) -> tuple[socket.socket, Any]:
        """The next connection that has a place; ConnectionAbortedError for one that has none."""
        connection, address = super().accept()
        # One whose handshake failed has told nobody that it is gone.
        dead = [who for who, its in self.inside.items() if its.fileno() < 0]
        for gone in dead:
            self.left(gone)
        self._sweep(len(dead))
        who = (str(address[0]), int(address[1]))
        out = self.places.enter(who, who[0])
        if out is who:
            connection.close()
            raise ConnectionAbortedError
        if out is not None:
            self._sweep(1)
            with suppress(OSError):  # gone meanwhile
                self.inside.pop(out).shutdown(socket.SHUT_RDWR)
        self.inside[who] = connection
        return connection, address

    def _sweep(self, more: int) -> None:
        self.unswept += more
        if self.unswept >= MOST_UNSWEPT:
            self.unswept = 0
            gc.collect()

    def at_work(self, who: Who, connection: HttpConnection, *, is_so: bool) -> None:
        """Whether a connection is answering a request now."""
        self.speaking[who] = connection
        self.places.at_work(who, is_so=is_so)

    def left(self, who: Who) -> None:
        """A connection is over."""
        self.places.leave(who)
        self.inside.pop(who, None)
        self.speaking.pop(who, None)


class Server:
    """The daemon's HTTP side: `await start()`, later `await stop()`."""

    def __init__(
        self,
        app: Application,
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
        self._server: asyncio.Server | None = None
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
        app, door = self._app, self._sock
        self._server = await asyncio.get_running_loop().create_server(
            lambda: HttpConnection(app, door), sock=door, ssl=self._context, backlog=AT_ONCE
        )

    async def stop(self) -> None:
        """Close the port; answers under way get two seconds."""
        if self._server is not None and self._sock is not None:
            self._server.close()
            self._server = None
            inside = list(self._sock.speaking.values())
            for connection in inside:
                connection.shut()
            with suppress(TimeoutError):
                async with asyncio.timeout(PARTING_SECONDS):
                    while any(connection.busy for connection in inside):
                        await asyncio.sleep(0.02)
            for connection in inside:
                connection.give_up()
        self.shut()

    def shut(self) -> None:
        """Give the port back, whether or not it was ever answered on."""
        if self._sock is not None:
            self._refused += self._sock.places.refused
            self._sock.close()
            self._sock = None
