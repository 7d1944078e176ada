"""One talk of pairing over a connection: a line at a time, each within a time and a length."""

import asyncio
import socket
import ssl
from typing import TypeVar

from whichhop.wire.pairing import LONGEST_ASK, LONGEST_HOME, Said, line_of, read_line

PORT = 8623
"""Where an invitation listens unless told otherwise: next to the agents' own ports."""
HANDSHAKE_S = 5.0
LINE_S = 15.0
"""For a line to come: a small box needs a second for its part of the exchange, and its disk some more."""
S = TypeVar("S", bound=Said)


class PairingLine:
    """place: how the other side is called in complaints."""

    def __init__(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, place: str, most: int = LONGEST_ASK
    ) -> None:
        self._reader, self._writer, self.place, self._most = reader, writer, place, most

    @classmethod
    async def to(
        cls, host: str, port: int, tls: ssl.SSLContext, own_address: str | None = None
    ) -> "PairingLine":
        """Connect; OSError or TimeoutError when that fails. own_address: to speak from."""
        local = None if own_address is None else (own_address, 0)
        async with asyncio.timeout(LINE_S):
            reader, writer = await asyncio.open_connection(
                host,
                port,
                ssl=tls,
                limit=LONGEST_HOME,
                ssl_handshake_timeout=HANDSHAKE_S,
                local_addr=local,
            )
        return cls(reader, writer, f"{host}:{port}", LONGEST_HOME)

    @classmethod
    async def of(cls, sock: socket.socket, tls: ssl.SSLContext, place: str) -> "PairingLine":
        """Shake hands with who has connected; OSError or TimeoutError when that fails."""
        loop = asyncio.get_running_loop()
        reader = asyncio.StreamReader(limit=LONGEST_ASK)
        protocol = asyncio.StreamReaderProtocol(reader)
        transport, _ = await loop.connect_accepted_socket(
            lambda: protocol, sock, ssl=tls, ssl_handshake_timeout=HANDSHAKE_S
        )
        return cls(reader, asyncio.StreamWriter(transport, protocol, reader, loop), place)

    @property
    def certificate(self) -> bytes:
        """What the other side showed in TLS, DER."""
        return bytes(self._writer.get_extra_info("ssl_object").getpeercert(binary_form=True) or b"")

    async def say(self, said: Said) -> None:
        """Send a line; OSError or TimeoutError when it is not taken."""
        async with asyncio.timeout(LINE_S):
            self._writer.write(line_of(said))
            await self._writer.drain()

    async def hear(self, expected: type[S], seconds: float = LINE_S) -> S:
        """The next line; OutsideError, RefusedHereError, OSError, EOFError or TimeoutError."""
        async with asyncio.timeout(seconds):
            try:
                line = await self._reader.readline()
            except ValueError:  # longer than the reader's limit
                line = b"x" * (self._most + 1) + b"\n"
        if not line:
            raise EOFError
        return read_line(line, expected, self.place, most=self._most)

    def close(self) -> None:
        """Hang up; what was said last is still sent."""
        self._writer.close()
