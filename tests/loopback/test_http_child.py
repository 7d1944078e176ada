"""URLs that redirect for ever, stall, lie about their length or are a page: one clear line each."""

import contextlib
import socket
import threading
from collections.abc import Callable, Iterator

import pytest

from support.fetching import fetch
from support.ports import free_tcp_port
from whichhop.net.clock import sleep_s

pytestmark = [pytest.mark.slow, pytest.mark.waits]

Answer = Callable[[socket.socket], None]


@contextlib.contextmanager
def serving(answer: Answer) -> Iterator[str]:
    """A server of one thread that reads a request's head and then does what the test asks."""
    with socket.create_server(("127.0.0.1", 0)) as listening:

        def run() -> None:
            while True:
                try:
                    sock, _ = listening.accept()
                except OSError:
                    return
                with sock, contextlib.suppress(OSError):
                    sock.recv(65_536)
                    answer(sock)

        thread = threading.Thread(target=run, daemon=True)
        thread.start()
        yield f"http://127.0.0.1:{listening.getsockname()[1]}/file"
        listening.shutdown(socket.SHUT_RDWR)
    thread.join(5)


def head(status: str = "200 OK", length: int | None = 10_000_000, kind: str = "application/zip") -> bytes:
    more = "" if length is None else f"Content-Length: {length}\r\n"
    return f"HTTP/1.1 {status}\r\nContent-Type: {kind}\r\n{more}\r\n".encode()


def loops(sock: socket.socket) -> None:
    sock.sendall(b"HTTP/1.1 302 Found\r\nLocation: /file\r\nContent-Length: 0\r\nConnection: close\r\n\r\n")


def stalls(sock: socket.socket) -> None:
    sock.sendall(head() + bytes(200_000))
    sock.recv(1)  # until the client gives up


def lies(sock: socket.socket) -> None:
    sock.sendall(head() + bytes(2_000_000))


def misses(sock: socket.socket) -> None:
    sock.sendall(head("404 Not Found", 4, "text/plain") + b"none")


def pages(sock: socket.socket) -> None:
    sock.sendall(head(length=12, kind="text/html; charset=utf-8") + b"<p>log in</p")


def babbles(sock: socket.socket) -> None:
    sock.sendall(b"\x00\x01\x02 nothing of the kind\r\n\r\n")


def is_small(sock: socket.socket) -> None:
    sock.sendall(head(length=1000) + bytes(1000))


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (loops, "redirects more than 5 times"),
        (stalls, "fell silent for 4 s"),
        (lies, "promised more bytes than it sent"),
        (misses, "answered 404 Not Found"),
        (pages, "a page, not a file"),
        (babbles, "not an HTTP answer"),
        (is_small, "only 1000 bytes"),
    ],
)
def test_each_bad_server_is_told_in_one_line_with_its_address(answer: Answer, words: str) -> None:
    with serving(answer) as url:
        said = fetch(url, limit_s=5)
    assert said["failed"].startswith(url)
    assert words in said["failed"]
    assert "\n" not in said["failed"]


def test_nobody_there_costs_nothing() -> None:
    said = fetch(f"http://127.0.0.1:{free_tcp_port()}/file", limit_s=5)
    assert "no connection: Connect call failed" in said["failed"] or "refused" in said["failed"]
    assert said["began"] is False


def test_a_server_that_refuses_what_is_posted_is_told() -> None:
    def refuses(sock: socket.socket) -> None:
        sock.sendall(head("405 Method Not Allowed", 0, "text/plain"))
        while sock.recv(65_536):
            pass

    with serving(refuses) as url:
        said = fetch(url, "out", limit_s=5)
    assert "405 Method Not Allowed" in said["failed"]


def test_a_server_that_answers_without_taking_what_is_posted_is_told() -> None:
    def hurries(sock: socket.socket) -> None:
        sock.sendall(head(length=0))
        sleep_s(2.0)  # and takes nothing

    with serving(hurries) as url:
        said = fetch(url, "out", limit_s=5)
    assert "before it had taken what was posted" in said["failed"]


def test_plain_text_on_a_tls_port_is_told() -> None:
    with serving(babbles) as url:
        said = fetch(url.replace("http:", "https:"), limit_s=5)
    assert "TLS" in said["failed"]


def test_a_server_may_send_on_to_hosts_that_the_home_names_and_nowhere_else() -> None:
    # 127.0.0.2 is not asked at all: its port would refuse, and the words would be others
    def sends_on(sock: socket.socket) -> None:
        sock.sendall(
            b"HTTP/1.1 302 Found\r\nLocation: http://127.0.0.2:9/file\r\n"
            b"Content-Length: 0\r\nConnection: close\r\n\r\n"
        )

    with serving(sends_on) as url:
        said = fetch(url, limit_s=5)
        named = fetch(url, limit_s=5, hosts=("127.0.0.2",))
    assert "sends on to 127.0.0.2, which the home file does not name" in said["failed"]
    assert "does not name" not in named["failed"]
