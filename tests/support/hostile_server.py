"""A server on loopback that treats its callers as a test tells it to, until the test is over."""

import contextlib
import socket
import threading
from collections.abc import Callable, Iterator

Talk = Callable[[socket.socket, threading.Event], None]
"""Told a caller, whose request was read, and what is set when the test is over."""


@contextlib.contextmanager
def hostile(talk: Talk) -> Iterator[str]:
    """The base address of a server that lets `talk` answer each caller, each in a thread of its own."""
    over = threading.Event()

    def one(caller: socket.socket) -> None:
        with caller, contextlib.suppress(OSError):
            caller.settimeout(10)
            caller.recv(65536)
            talk(caller, over)

    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve() -> None:
            while not over.is_set():
                with contextlib.suppress(OSError):
                    caller, _ = server.accept()
                    threading.Thread(target=one, args=(caller,), daemon=True).start()

        server.settimeout(0.2)
        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        try:
            yield f"http://127.0.0.1:{server.getsockname()[1]}"
        finally:
            over.set()
            thread.join(10)


OK = b"HTTP/1.1 200 OK\r\n"


def repeating(piece: bytes, begin: bytes = b"", every_s: float = 0.0) -> Talk:
    """The same octets again and again, `every_s` seconds apart."""

    def talk(caller: socket.socket, over: threading.Event) -> None:
        caller.sendall(begin)
        while not over.wait(every_s) if every_s else not over.is_set():
            caller.sendall(piece)

    return talk


DRIPS_HEADER = repeating(b"X", OK + b"X-Slow: ", every_s=0.05)
CONTINUES_FOR_EVER = repeating(b"HTTP/1.1 100 Continue\r\n\r\n")
CONTINUES_SLOWLY = repeating(b"HTTP/1.1 100 Continue\r\n\r\n", every_s=0.05)
NEVER_ENDS = repeating(b"x" * 65536, OK + b"\r\n")
DRIPS_BODY = repeating(b"x", OK + b"Content-Length: 1000000\r\n\r\n", every_s=0.05)
DRIPS_CHUNKS = repeating(b"1\r\nx\r\n", OK + b"Transfer-Encoding: chunked\r\n\r\n", every_s=0.05)
ONE_CHUNK_LINE = repeating(b"0" * 1000, OK + b"Transfer-Encoding: chunked\r\n\r\n")
HEADERS_WITHOUT_END = repeating(b"X-More: y\r\n", OK)
SILENT = repeating(b"", every_s=0.2)
