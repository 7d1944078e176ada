"""The daemon's short questions to other agents: the page, or one line within the time given."""

import asyncio
import contextlib
import socket
from concurrent.futures import ThreadPoolExecutor

import pytest

from whichhop.errors import RemoteError
from whichhop.net.short_page import short_page

pytestmark = pytest.mark.waits


def asked(answer: bytes, *, end: bool = True) -> bytes:
    with socket.create_server(("127.0.0.1", 0)) as server, ThreadPoolExecutor(1) as thread:

        def talk() -> None:
            talking, _ = server.accept()
            with talking, contextlib.suppress(OSError):
                talking.recv(4096)
                talking.sendall(answer)
                if end:
                    talking.shutdown(socket.SHUT_WR)
                talking.recv(1)  # until the asker has closed

        thread.submit(talk)
        port = server.getsockname()[1]
        return asyncio.run(short_page("127.0.0.1", port, "/identity", seconds=1.0, most_octets=1000))


# RFC 9112: a length, chunks, or the end of the connection frames a body
@pytest.mark.parametrize(
    "answer",
    [
        b"HTTP/1.1 200 OK\r\nContent-Length: 2\r\n\r\nhi",
        b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n1\r\nh\r\n1\r\ni\r\n0\r\n\r\n",
        b"HTTP/1.0 200 OK\r\n\r\nhi",
        b"HTTP/1.1 100 Continue\r\n\r\nHTTP/1.1 200 OK\r\nContent-Length: 2\r\n\r\nhi",
    ],
)
def test_a_page_is_read_however_it_is_framed(answer: bytes) -> None:
    assert asked(answer) == b"hi"


@pytest.mark.parametrize(
    ("answer", "says"),
    [
        (b"HTTP/1.1 404 Not Found\r\nContent-Length: 0\r\n\r\n", "answered 404"),
        (b"HTTP/1.1 302 Found\r\nLocation: http://192.0.2.1/\r\nContent-Length: 0\r\n\r\n", "answered 302"),
        (b"SSH-2.0-x\r\n", "is this an agent's port?"),
        (b"", "is this an agent's port?"),
        (b"HTTP/1.1 200 OK\r\nContent-Length: 5\r\n\r\nhi", "is this an agent's port?"),
        (b"HTTP/1.1 200 OK\r\nContent-Length: 9000\r\n\r\n" + b"x" * 9000, "over 1000 octets"),
        (b"HTTP/1.1 100 Continue\r\n\r\n" * 500, "over 1000 octets"),
        (b"HTTP/1.1 200 OK\r\nX: " + b"x" * 5000, "octets|is this an agent's port"),
    ],
)
def test_what_is_no_page_is_one_line(answer: bytes, says: str) -> None:
    with pytest.raises(RemoteError, match=says) as caught:
        asked(answer)
    assert "\n" not in str(caught.value)


def test_who_never_ends_is_given_up() -> None:
    with pytest.raises(RemoteError, match="no whole answer within 1 s"):
        asked(b"HTTP/1.1 200 OK\r\nContent-Length: 9\r\n\r\nhi", end=False)


def test_nobody_there_is_told() -> None:
    with pytest.raises(RemoteError, match="is the agent running there"):
        asyncio.run(short_page("127.0.0.1", 9, "/identity", seconds=1.0, most_octets=1000))
