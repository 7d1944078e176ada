"""Listens for transfers: turns strangers away, answers the home's questions, hands data to a child."""

import asyncio
import contextlib
import hmac
import socket
from collections.abc import Awaitable, Callable
from functools import partial
from typing import Annotated, Any

import msgspec
from msgspec import Meta

from whichhop.daemon.job_runner import JobRunner
from whichhop.daemon.transfer.async_line import AsyncLine
from whichhop.errors import RemoteError, WhichhopError
from whichhop.net.child import RunChild, our_module
from whichhop.net.listen import Places, listening_socket
from whichhop.net.tcp import prefer_cubic
from whichhop.outside import OutsideError, typed
from whichhop.probes.transfer_talk import MOST_STREAMS, AnswerSpec, TransferRequest
from whichhop.wire.bulk import WrongKeyError, stream_token

GREETING_S = 5.0
MOST_PLACES = 64
MOST_EACH = MOST_STREAMS + 8
"""Connections of one address: the streams of a transfer, its talk, and some of who asks beside it."""
MOST_ANSWER_S = 180.0
NONE_LEFT_S = 0.5
"""Out of descriptors, say: others may be given back meanwhile."""

Ask = Callable[[dict[str, Any]], Awaitable[dict[str, Any]]]
Order = Callable[[dict[str, Any], AsyncLine], Awaitable[None]]


class _StreamShown(msgspec.Struct, frozen=True):
    """The first line of a data connection."""

    stream: Annotated[int, Meta(ge=0, lt=MOST_STREAMS)]
    token: Annotated[str, Meta(max_length=64)]


class TransferPort:
    """One listening socket. one: held while this machine moves data, as asker or as answerer.

    keeper: answers questions of lease and budget where this node keeps them. use: answers how busy the line
    is. order: carries out a transfer that somebody with the key asks this agent for. refused: takes a line
    about who was turned away. Whatever arrives can end its own connection, and nothing else.
    """

    def __init__(
        self,
        *,
        host: str,
        port: int,
        key: bytes,
        one: asyncio.Lock,
        keeper: Callable[[], Ask | None],
        use: Ask,
        order: Order,
        refused: Callable[[str], None],
        jobs: JobRunner,
        run: RunChild,
    ) -> None:
        self.host, self.port, self.key = host, port, key
        self._one, self._jobs, self._run = one, jobs, run
        self._keeper, self._use, self._order, self._refused = keeper, use, order, refused
        self._sock: socket.socket | None = None
        self._accepting: asyncio.Task[None] | None = None
        self._talks: dict[asyncio.Task[None], socket.socket] = {}
        self._places: Places[socket.socket] = Places(MOST_PLACES, MOST_EACH)
        self._session = ""
        self._feed: socket.socket | None = None

    def open(self) -> None:
        """Get the port; SystemRefusedError in one line when the address or port cannot be had."""
        self._sock = listening_socket(self.host, self.port, setting="ports.transfer in the home file")
        prefer_cubic(self._sock)
        self.port = self._sock.getsockname()[1]

    def listen(self) -> None:
        """Take connections from now on."""
        self._accepting = self._jobs.standing("transfer-port", self._accept)

    def shut(self) -> None:
        """Take no more connections; talks under way go on."""
        if self._accepting is not None:
            self._accepting.cancel()
            self._accepting = None
        if self._sock is not None:
            # Now and not when the loop hears of the end: the number may be another socket's by then.
            asyncio.get_running_loop().remove_reader(self._sock.fileno())
            self._sock.close()
            self._sock = None

    async def close(self) -> None:
        """Stop listening and end every talk."""
        self.shut()
        for task in list(self._talks):
            task.cancel()
        await asyncio.gather(*self._talks, return_exceptions=True)

    async def _accept(self) -> None:
        loop = asyncio.get_running_loop()
        while self._sock is not None:
            try:
                sock, address = await loop.sock_accept(self._sock)
            except OSError:
                if self._sock is None:
                    return
                await asyncio.sleep(NONE_LEFT_S)
                continue
            out = self._places.enter(sock, str(address[0]))
            if out is sock:
                sock.close()
                continue
            if out is not None:
                self._end_talk_on(out)
            talk = partial(self._attend, sock, str(address[0]))
            task = self._jobs.once("transfer-talk", talk)
            self._talks[task] = sock
            task.add_done_callback(self._over)
            # A queue that is full is taken up without a pause otherwise, and those that came first would have
            # to make room before they are greeted.
            await asyncio.sleep(0)

    def _over(self, task: "asyncio.Task[None]") -> None:
        """A talk is over; one that was ended before it began has closed nothing itself."""
        sock = self._talks.pop(task)
        self._places.leave(sock)
        sock.close()

    def _end_talk_on(self, sock: socket.socket) -> None:
        for task, its in self._talks.items():
            if its is sock:
                task.cancel()

    async def _attend(self, sock: socket.socket, where: str) -> None:
        try:
            async with asyncio.timeout(GREETING_S):
                line = await AsyncLine.greet(sock, key=self.key, where=where)
                if self._is_stream(line.first, sock, where):
                    return
                await line.prove()
                self._places.at_work(sock, is_so=True)
                asked = await line.hear()
            await self._serve(line, asked)
        except WrongKeyError:
            self._refused(f"{where}: turned away: it does not hold this home's key")
        except (RemoteError, TimeoutError, OSError):
            pass  # whoever connected is gone, or never spoke: nothing was promised

    def _is_stream(self, first: bytes, sock: socket.socket, where: str) -> bool:
        """Whether a connection belongs to the transfer under way; it is then handed to the child."""
        try:
            shown = typed(first, where, _StreamShown)
        except OutsideError:
            return False
        if self._feed is not None and hmac.compare_digest(
            stream_token(self._session, shown.stream).encode(), shown.token.encode()
        ):
            socket.send_fds(self._feed, [b"s"], [sock.fileno()])
            return True
        self._refused(f"{where}: turned away: a data stream that belongs to no transfer")
        return True

    async def _serve(self, line: AsyncLine, asked: dict[str, Any]) -> None:
        kind, keeper = asked.get("ask"), self._keeper()
        if kind == "transfer":
            await self._answer(line, asked)
        elif kind == "order":
            await self._order(asked, line)
        elif kind == "use":
            await line.say(**await self._use(asked))
        elif kind in ("lease", "release", "today") and keeper is not None:
            await line.say(**await keeper(asked))
        else:
            await line.say(refused=f"{str(kind)[:20]!r} is not answered here")

    async def _answer(self, line: AsyncLine, asked: dict[str, Any]) -> None:
        try:
            request = msgspec.convert(asked.get("request"), TransferRequest)
            trouble = request.trouble()
        except (msgspec.ValidationError, ValueError, OverflowError) as wrong:
            trouble = f"not understood: {wrong}"
        if not trouble and self._one.locked():
            trouble = "a transfer is running here already; one at a time"
        if trouble:
            await line.say(refused=trouble)
            return
        async with self._one:
            mine, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
            # A full queue of connections is the far end's trouble; it must not hold up the loop.
            mine.setblocking(False)
            spec = AnswerSpec(
                other_end=f"{line.talk.name} at {line.where}",
                control_fd=line.sock.fileno(),
                feed_fd=theirs.fileno(),
                session=line.talk.session,
                said=line.talk.said,
                heard=line.talk.heard,
                waiting="",
                request=request,
            )
            self._session, self._feed = line.talk.session, mine
            try:
                with mine, theirs, contextlib.suppress(TimeoutError):
                    await self._run(
                        our_module("whichhop.probes.transfer_child"),
                        given=msgspec.json.encode(spec) + b"\n",
                        most_s=MOST_ANSWER_S,
                        pass_fds=(spec.control_fd, spec.feed_fd),
                    )
            except WhichhopError as refused:
                # No process to be had: the far end is told, as far as it still listens.
                with contextlib.suppress(RemoteError):
                    await line.say(refused=f"no transfer here now: {refused}")
            finally:
                self._session, self._feed = "", None
