"""The talk of a transfer on a non-blocking socket in the daemon's loop, and what may be asked in it."""

import asyncio
import secrets
import socket
from typing import Annotated, Any, Literal, TypeVar

import msgspec
from msgspec import Meta

from whichhop.errors import RemoteError
from whichhop.net.listen import authority
from whichhop.outside import INT64, LONGEST_NAME, OutsideError
from whichhop.printable import printable
from whichhop.wire.bulk import NONCE_OCTETS, Talk, TalkError, WrongKeyError

_PIECE = 4096

LONGEST_S = 300.0
"""No lease is longer, so no wish for seconds is either."""

Name = Annotated[str, Meta(max_length=LONGEST_NAME)]
Octets = Annotated[int, Meta(ge=0, le=INT64)]
Seconds = Annotated[float, Meta(gt=0, le=LONGEST_S)]


class AsyncLine:
    """One side of a talk. RemoteError, naming the other side, for everything that goes wrong on it."""

    def __init__(self, sock: socket.socket, talk: Talk, where: str) -> None:
        self.sock, self.talk, self.where = sock, talk, where
        self.first = b""
        self._loop = asyncio.get_running_loop()
        self._messages: list[dict[str, Any]] = []

    @classmethod
    async def dial(cls, address: str, port: int, *, key: bytes, name: str, seconds: float) -> "AsyncLine":
        """Connect to another agent's transfer port and prove the key to each other."""
        where = authority(address, port)
        sock = socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET, socket.SOCK_STREAM)
        sock.setblocking(False)
        talk = Talk(key=key, asks=True, nonce=secrets.token_bytes(NONCE_OCTETS), name=name)
        line = cls(sock, talk, where)
        try:
            async with asyncio.timeout(seconds):
                await line._loop.sock_connect(sock, (address, port))
                while not talk.session:
                    await line._more()
        except TimeoutError:
            sock.close()
            raise RemoteError(
                f"{where}: no answer within {seconds:g} s; is the agent running there?"
            ) from None
        except OSError as error:
            sock.close()
            raise RemoteError(f"{where}: {error.strerror or error}; is the agent running there?") from None
        except BaseException:
            sock.close()
            raise
        return line

    @classmethod
    async def greet(cls, sock: socket.socket, *, key: bytes, where: str) -> "AsyncLine":
        """Challenge who has connected; `first` then holds the first line, which is not judged yet."""
        sock.setblocking(False)
        talk = Talk(key=key, asks=False, nonce=secrets.token_bytes(NONCE_OCTETS))
        line = cls(sock, talk, where)
        await line._loop.sock_sendall(sock, talk.take())
        while b"\n" not in line.first and len(line.first) < _PIECE:
            piece = await line._loop.sock_recv(sock, _PIECE - len(line.first))
            if not piece:
                raise RemoteError(f"{where}: closed before it said anything")
            line.first += piece
        return line

    async def prove(self) -> None:
        """Judge the first line and go on until the talk is open; WrongKeyError for a stranger."""
        await self._take(self.first)
        while not self.talk.session:
            await self._more()

    async def say(self, **message: Any) -> None:
        """Send one message."""
        try:
            await self._loop.sock_sendall(self.sock, self.talk.say(message))
        except OSError as error:
            raise RemoteError(f"{self.where}: the talk broke off: {error.strerror or error}") from None

    async def hear(self) -> dict[str, Any]:
        """Wait for one message; as long as it takes: the caller sets the limit."""
        while not self._messages:
            await self._more()
        return self._messages.pop(0)

    @property
    def proven(self) -> bool:
        """Whether the other side has proved that it holds the home's key."""
        return bool(self.talk.session)

    async def closed(self) -> None:
        """Wait until the other side ends the talk, whatever it says before."""
        try:
            while True:
                await self.hear()
        except RemoteError:
            return

    async def _more(self) -> None:
        try:
            data = await self._loop.sock_recv(self.sock, _PIECE)
        except OSError as error:
            raise RemoteError(f"{self.where}: the talk broke off: {error.strerror or error}") from None
        if not data:
            raise RemoteError(f"{self.where}: the other agent closed the talk; see its log")
        await self._take(data)

    async def _take(self, data: bytes) -> None:
        try:
            self._messages += self.talk.feed(data)
        except WrongKeyError:
            raise
        except TalkError as trouble:
            raise RemoteError(f"{self.where}: {trouble}") from None
        finally:
            if waiting := self.talk.take():
                await self._loop.sock_sendall(self.sock, waiting)

    def close(self) -> None:
        """End the talk."""
        self.sock.close()


class LeaseAsk(msgspec.Struct, frozen=True, kw_only=True):
    """For the home's one lease. who: for people. anyway: though the hours are quiet or the line is busy."""

    who: Name
    seconds: Annotated[float, Meta(gt=0, le=86_400)]
    octets: Octets
    anyway: bool = False


class ReleaseAsk(msgspec.Struct, frozen=True, kw_only=True):
    """To take a lease back. used: octets on the wire."""

    lease: Name
    used: Octets


class OrderAsk(msgspec.Struct, frozen=True, kw_only=True):
    """For a transfer from the agent that is asked. octets, seconds: None for what is usual."""

    other_end: Name
    ways: Annotated[tuple[Literal["out", "back"], ...], Meta(min_length=1, max_length=2)] = ("out", "back")
    streams: Annotated[int, Meta(ge=0, le=1_000)] = 1
    octets: Octets | None = None
    seconds: Seconds | None = None
    anyway: bool = False
    whole: bool = False


T = TypeVar("T", LeaseAsk, ReleaseAsk, OrderAsk)


def asked_for(message: dict[str, Any], kind: type[T]) -> T:
    """A message as what it asks for; OutsideError in one line when it is not that."""
    try:
        return msgspec.convert(message, kind)
    except (msgspec.ValidationError, ValueError, OverflowError) as wrong:
        raise OutsideError(f"a question that is not understood: {printable(str(wrong))}") from None
