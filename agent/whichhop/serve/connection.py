"""One HTTP/1.1 connection in the daemon's event loop: h11 reads and writes the protocol, the rest is here.

No server of a library's: those that were tried load a command line, a supervisor and their logging into every
agent, 5 MB for a port that answers four times a minute, and wait for a request for ever.
"""

import asyncio
from collections.abc import Awaitable, Callable, MutableMapping
from datetime import UTC, datetime
from typing import Any, Protocol
from urllib.parse import unquote

import h11

from whichhop.model.units import NS_PER_S
from whichhop.net.clock import SystemClock

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
Application = Callable[[Scope, Receive, Send], Awaitable[None]]

IDLE_SECONDS = 10.0
"""A connection without a whole request for this long is closed: idle ones must not use up the places."""
UNTAKEN_LOOKS = 7
"""An answer that is not made and taken within so many looks is given up; the page is taken in a second."""
MOST_HEAD = 16 * 1024
_WRONG = (400, b"this is no HTTP request\n")
_OURS = (500, b"the agent failed to answer\n")
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_CLOCK = SystemClock()

Who = tuple[str, int]


def http_date(utc_ns: int) -> str:
    """A time as HTTP tells it (RFC 9110 5.6.7), whatever the locale."""
    at = datetime.fromtimestamp(utc_ns // NS_PER_S, UTC)
    return f"{_DAYS[at.weekday()]}, {at:%d} {_MONTHS[at.month - 1]} {at.year:04} {at:%H:%M:%S} GMT"


class Keeper(Protocol):
    """Keeps the book of connections; one is known by the address and port it comes from."""

    def at_work(self, who: Who, connection: "HttpConnection", *, is_so: bool) -> None:
        """Whether a request is being answered, so that it must not make room for others."""
        ...

    def left(self, who: Who) -> None:
        """A connection is over."""
        ...


class HttpConnection(asyncio.Protocol):
    """Answers one request after the other; bodies of requests are passed over: nothing takes one."""

    def __init__(self, app: Application, keeper: Keeper) -> None:
        self._app, self._keeper = app, keeper
        self._http = h11.Connection(h11.SERVER, max_incomplete_event_size=MOST_HEAD)
        self._client: Who | None = None
        self._answering: asyncio.Task[None] | None = None
        self._started = self._stopping = self._full = False
        self._was_idle, self._looks = False, 0

    @property
    def busy(self) -> bool:
        """True while a request is being answered."""
        return self._answering is not None

    # -- what asyncio calls

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Begin; the patience for a first request starts to run."""
        assert isinstance(transport, asyncio.Transport)  # noqa: S101 - of a stream
        self._transport = transport
        self._loop = asyncio.get_running_loop()
        peer = transport.get_extra_info("peername")
        self._client = (str(peer[0]), int(peer[1])) if peer else None
        self._scheme = "https" if transport.get_extra_info("sslcontext") else "http"
        self._watch = self._loop.call_later(IDLE_SECONDS, self._look)
        self._tell()

    def data_received(self, data: bytes) -> None:
        """Some octets of a request."""
        self._http.receive_data(data)
        self._read()

    def pause_writing(self) -> None:
        """Answers are not taken as fast as they are asked for: no more are made until they are."""
        self._full = True

    def resume_writing(self) -> None:
        """They were taken."""
        self._full = False
        if not self._transport.is_closing():
            self._go_on()

    def connection_lost(self, _exc: Exception | None) -> None:
        """The end, whoever made it."""
        self._watch.cancel()
        if self._answering is not None:
            self._answering.cancel()
        if self._client is not None:
            self._keeper.left(self._client)

    # -- what the server calls

    def shut(self) -> None:
        """Close now, or once the answer under way is given."""
        self._stopping = True
        if not self.busy:
            self._transport.close()

    def give_up(self) -> None:
        """Close at once, whatever is under way."""
        self._transport.abort()

    # -- inside

    def _tell(self) -> None:
        if self._client is not None:
            self._keeper.at_work(self._client, self, is_so=self.busy)

    def _look(self) -> None:
        """Nobody may hold a place by saying nothing, or by not taking what was asked for."""
        taken = self._transport.get_write_buffer_size() == 0
        if not self.busy and taken:
            # The first request must come whole before the first look, later ones have from one to the next.
            if self._was_idle or not self._started:
                self._transport.close()
                return
            self._was_idle, self._looks = True, 0
        else:
            self._was_idle, self._looks = False, self._looks + 1
            if self._looks >= UNTAKEN_LOOKS:
                self._transport.abort()
                return
        self._watch = self._loop.call_later(IDLE_SECONDS, self._look)

    def _read(self) -> None:
        """Take up what has come, as far as one request at a time goes."""
        while not self._transport.is_closing():
            if self._http.their_state in (h11.MUST_CLOSE, h11.CLOSED, h11.ERROR):
                return
            try:
                event = self._http.next_event()
            except h11.RemoteProtocolError:
                self._refuse(*_WRONG)
                return
            if event is h11.PAUSED:  # another request already: it waits in the system's buffer
                self._transport.pause_reading()
                return
            if event is h11.NEED_DATA or isinstance(event, h11.ConnectionClosed):
                return
            if isinstance(event, h11.Request):
                self._begin(event)
            elif isinstance(event, h11.EndOfMessage):
                self._go_on()

    def _begin(self, request: h11.Request) -> None:
        target, _, query = request.target.partition(b"?")
        scope: Scope = {
            "type": "http",
            "method": request.method.decode("ascii"),
            "path": unquote(target.decode("ascii")),
            "query_string": query,
            "headers": list(request.headers),
            "scheme": self._scheme,
        }
        self._started = True
        self._answering = self._loop.create_task(self._answer(scope))
        self._tell()

    async def _answer(self, scope: Scope) -> None:
        try:
            await self._app(scope, self._receive, self._send)
            if self._http.our_state is h11.SEND_RESPONSE:
                raise RuntimeError("the application gave no answer")
        except Exception as trouble:  # noqa: BLE001 - told by the loop's handler; the other requests go on
            self._loop.call_exception_handler({"message": "a request", "exception": trouble})
            self._refuse(*_OURS)
        finally:
            self._answering, self._looks = None, 0
            self._tell()
        if self._stopping or self._http.our_state is h11.MUST_CLOSE:
            self._transport.close()
        elif not self._transport.is_closing():
            self._go_on()

    def _go_on(self) -> None:
        """The next request, once this one has come whole and has its answer."""
        ready = not self.busy and not self._full
        if ready and (self._http.our_state, self._http.their_state) == (h11.DONE, h11.DONE):
            self._http.start_next_cycle()
            self._transport.resume_reading()
            self._read()

    async def _receive(self) -> MutableMapping[str, Any]:
        return {"type": "http.disconnect"}

    async def _send(self, message: MutableMapping[str, Any]) -> None:
        if self._transport.is_closing():
            return
        if message["type"] == "http.response.start":
            self._write(h11.Response(status_code=message["status"], headers=self._dated(message["headers"])))
        else:
            self._write(h11.Data(data=message["body"]), h11.EndOfMessage())

    def _dated(self, headers: list[tuple[bytes, bytes]]) -> list[tuple[bytes, bytes]]:
        return [(b"date", http_date(_CLOCK.utc_ns()).encode()), *headers]  # RFC 9110 6.6.1

    def _refuse(self, status: int, words: bytes) -> None:
        """Say in a line what is wrong, if it can still be said, and close."""
        if self._http.our_state in (h11.IDLE, h11.SEND_RESPONSE) and not self._transport.is_closing():
            headers = [
                (b"content-type", b"text/plain; charset=utf-8"),
                (b"content-length", str(len(words)).encode()),
                (b"connection", b"close"),
            ]
            response = h11.Response(status_code=status, headers=self._dated(headers))
            self._write(response, h11.Data(data=words), h11.EndOfMessage())
        self._transport.close()

    def _write(self, *events: h11.Event) -> None:
        """One write, so that a short answer is one packet."""
        parts = [self._http.send(event) or b"" for event in events]
        self._transport.write(b"".join(parts))
