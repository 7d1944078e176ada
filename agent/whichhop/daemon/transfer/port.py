"""Listens for transfers: turns strangers away, answers the home's questions, hands data to a child."""

import asyncio
import contextlib
import hmac
import json
import socket
import sys
from collections.abc import Awaitable, Callable
from typing import Any

import msgspec

from whichhop.daemon.transfer.async_line import AsyncLine
from whichhop.errors import RemoteError
from whichhop.net.listen import listening_socket
from whichhop.net.tcp import prefer_cubic
from whichhop.probes.transfer_talk import AnswerSpec, TransferRequest
from whichhop.wire.bulk import WrongKeyError, stream_token

GREETING_S = 5.0
MOST_TALKS = 16
"""Connections attended to at once; more wait in the kernel's queue."""
MOST_ANSWER_S = 180.0

Ask = Callable[[dict[str, Any]], Awaitable[dict[str, Any]]]
Order = Callable[[dict[str, Any], AsyncLine], Awaitable[None]]


class TransferPort:
    """One listening socket. one: held while this machine moves data, as asker or as answerer.

    keeper: answers questions of lease and budget where this node keeps them. use: answers how busy the line
    is. order: carries out a transfer that somebody with the key asks this agent for.
    """

    def __init__(
        self,
        *,
        host: str,
        port: int,
        key: bytes,
        one: asyncio.Lock,
        keeper: Ask | None,
        use: Ask,
        order: Order,
        refused: Callable[[str], None],
    ) -> None:
        self._host, self.port, self._key, self._one = host, port, key, one
        self._keeper, self._use, self._order, self._refused = keeper, use, order, refused
        self._sock: socket.socket | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._places = asyncio.Semaphore(MOST_TALKS)
        self._session = ""
        self._feed: socket.socket | None = None

    def open(self) -> None:
        """Listen; SystemRefusedError in one line when the address or port cannot be had."""
        self._sock = listening_socket(self._host, self.port, setting="ports.transfer in the home file")
        prefer_cubic(self._sock)
        self.port = self._sock.getsockname()[1]
        self._start(self._accept(self._sock))

    async def close(self) -> None:
        """Stop listening and end every talk."""
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        if self._sock is not None:
            self._sock.close()

    def _start(self, work: Any) -> None:
        task = asyncio.create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _accept(self, listening: socket.socket) -> None:
        loop = asyncio.get_running_loop()
        while True:
            await self._places.acquire()
            try:
                sock, address = await loop.sock_accept(listening)
            except OSError:
                self._places.release()
                await asyncio.sleep(0.1)  # out of descriptors, say: others may be given back
                continue
            self._start(self._attend(sock, str(address[0])))

    async def _attend(self, sock: socket.socket, where: str) -> None:
        try:
            async with asyncio.timeout(GREETING_S):
                line = await AsyncLine.greet(sock, key=self._key, where=where)
                if self._is_stream(line.first, sock):
                    return
                await line.prove()
                asked = await line.hear()
            await self._serve(line, asked)
        except WrongKeyError:
            self._refused(f"{where}: turned away: it does not hold this home's key")
        except (RemoteError, TimeoutError, OSError):
            pass  # whoever connected is gone, or never spoke: nothing was promised
        finally:
            sock.close()
            self._places.release()

    def _is_stream(self, first: bytes, sock: socket.socket) -> bool:
        """Whether a connection belongs to the transfer under way; it is then handed to the child."""
        try:
            said = json.loads(first)
            number, token = int(said["stream"]), str(said["token"])
        except (ValueError, KeyError, TypeError, RecursionError):
            return False
        if self._feed is not None and hmac.compare_digest(
            stream_token(self._session, number).encode(), token.encode()
        ):
            socket.send_fds(self._feed, [b"s"], [sock.fileno()])
            return True
        self._refused("a data stream that belongs to no transfer was turned away")
        return True

    async def _serve(self, line: AsyncLine, asked: dict[str, Any]) -> None:
        kind = asked.get("ask")
        if kind == "transfer":
            await self._answer(line, asked)
        elif kind == "order":
            await self._order(asked, line)
        elif kind == "use":
            await line.say(**await self._use(asked))
        elif kind in ("lease", "release", "today") and self._keeper is not None:
            await line.say(**await self._keeper(asked))
        else:
            await line.say(refused=f"{str(kind)[:20]!r} is not answered here")

    async def _answer(self, line: AsyncLine, asked: dict[str, Any]) -> None:
        try:
            request = msgspec.convert(asked.get("request"), TransferRequest)
            trouble = request.trouble()
        except msgspec.ValidationError as wrong:
            trouble = f"not understood: {wrong}"
        if not trouble and self._one.locked():
            trouble = "a transfer is running here already; one at a time"
        if trouble:
            await line.say(refused=trouble)
            return
        async with self._one:
            mine, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
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
                with mine, theirs:
                    child = await asyncio.create_subprocess_exec(
                        sys.executable,
                        "-m",
                        "whichhop.probes.transfer_child",
                        stdin=asyncio.subprocess.PIPE,
                        stdout=asyncio.subprocess.DEVNULL,
                        pass_fds=(spec.control_fd, spec.feed_fd),
                    )
                    try:
                        async with asyncio.timeout(MOST_ANSWER_S):
                            await child.communicate(msgspec.json.encode(spec) + b"\n")
                    except TimeoutError:
                        pass
                    finally:
                        if child.returncode is None:
                            with contextlib.suppress(ProcessLookupError):
                                child.kill()
                            await child.wait()
            finally:
                self._session, self._feed = "", None
