"""The talk of a transfer on a blocking socket: for the data's process and for the command line."""

import secrets
import socket
from types import TracebackType
from typing import Any, Self

from whichhop.errors import RemoteError
from whichhop.net.listen import authority
from whichhop.net.tcp import connect
from whichhop.wire.bulk import NONCE_OCTETS, Talk, TalkError


class Line:
    """One side of a talk; RemoteError, with the other side's place, for everything that goes wrong on it."""

    def __init__(self, sock: socket.socket, talk: Talk, *, where: str, waiting: bytes = b"") -> None:
        self.sock, self.talk, self.where = sock, talk, where
        self._messages: list[dict[str, Any]] = []
        self._take(waiting)

    @classmethod
    def dial(cls, address: str, port: int, *, key: bytes, name: str, seconds: float) -> "Line":
        """Connect to an agent's transfer port and prove the key to each other."""
        where = authority(address, port)
        sock = connect(address, port, seconds=seconds)
        talk = Talk(key=key, asks=True, nonce=secrets.token_bytes(NONCE_OCTETS), name=name)
        line = cls(sock, talk, where=where)
        try:
            while not talk.session:
                line._more()
        except BaseException:
            sock.close()
            raise
        return line

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.sock.close()

    def say(self, **message: Any) -> None:
        """Send one message."""
        try:
            self.sock.sendall(self.talk.say(message))
        except OSError as error:
            raise RemoteError(f"{self.where}: the talk broke off: {error.strerror or error}") from None

    def hear(self) -> dict[str, Any]:
        """Wait for one message, at most as long as the socket's timeout."""
        while not self._messages:
            self._more()
        return self._messages.pop(0)

    def _more(self) -> None:
        try:
            data = self.sock.recv(4096)
        except TimeoutError:
            raise RemoteError(f"{self.where}: the other agent fell silent; is it still there?") from None
        except OSError as error:
            raise RemoteError(f"{self.where}: the talk broke off: {error.strerror or error}") from None
        if not data:
            raise RemoteError(f"{self.where}: the other agent closed the talk; see its log")
        self._take(data)

    def _take(self, data: bytes) -> None:
        try:
            self._messages += self.talk.feed(data)
        except TalkError as trouble:
            raise RemoteError(f"{self.where}: {trouble}") from None
        finally:
            if waiting := self.talk.take():
                self.sock.sendall(waiting)
