import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from whichhop.errors import RemoteError
from whichhop.net.http_client import fetch


@contextmanager
def answering(reply: bytes, *, hang: bool = False) -> Iterator[tuple[str, list[bytes]]]:
    """One answer on loopback, whatever is asked; the requests seen."""
    seen: list[bytes] = []
    done = threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as listener:
        listener.settimeout(10)

        def run() -> None:
            connection, _ = listener.accept()
            with connection:
                seen.append(connection.recv(65536))
                connection.sendall(reply)
                if hang:
                    done.wait(10)

        thread = threading.Thread(target=run)
        thread.start()
        yield f"http://127.0.0.1:{listener.getsockname()[1]}", seen
        done.set()
        thread.join(10)


OK = b"HTTP/1.1 200 OK\r\nContent-Length: 5\r\n\r\nhello"


def test_a_page_is_fetched_and_the_token_shown() -> None:
    with answering(OK) as (base, seen):
        assert fetch(f"{base}/a?b=1", "secret") == b"hello"
    assert seen[0].startswith(b"GET /a?b=1 HTTP/1.1\r\n")
    assert b"Authorization: Bearer secret\r\n" in seen[0]


def test_no_token_is_shown_when_there_is_none() -> None:
    with answering(OK) as (base, seen):
        fetch(base)
    assert b"Authorization" not in seen[0]


@pytest.mark.parametrize(
    ("reply", "says"),
    [
        (b"HTTP/1.1 503 No\r\nContent-Length: 17\r\n\r\n" + b'{"error": "full"}', "503 No: full"),
        (b"HTTP/1.1 302 Found\r\nLocation: http://192.0.2.9/\r\nContent-Length: 0\r\n\r\n", "302 Found"),
        (b"HTTP/1.1 200 OK\r\nContent-Length: 50\r\n\r\nhello", "45 bytes short"),
        (b"SSH-2.0-something\r\n", "is this an agent's port"),
        (b"", "is the agent running|is this an agent's port"),
        (b"HTTP/1.1 200 OK\r\nContent-Length: 9000\r\n\r\n" + b"x" * 9000, "larger than 1000 bytes"),
    ],
)
def test_a_bad_answer_is_one_line_naming_the_address(reply: bytes, says: str) -> None:
    with answering(reply) as (base, _), pytest.raises(RemoteError, match=says) as caught:
        fetch(base, most_bytes=1000)
    assert base in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.slow
def test_an_answer_that_never_ends_is_given_up() -> None:
    with (
        answering(b"HTTP/1.1 200 OK\r\n", hang=True) as (base, _),
        pytest.raises(RemoteError, match=r"0\.3 s"),
    ):
        fetch(base, seconds=0.3)


@pytest.mark.parametrize(
    "url", ["ftp://192.0.2.1/", "http://", "desk:8620", "http://desk:99999/", "file:///etc/passwd"]
)
def test_an_address_that_cannot_be_asked_is_refused(url: str) -> None:
    with pytest.raises(RemoteError, match="write http://HOST:PORT"):
        fetch(url)


@pytest.mark.parametrize("of", ["agent", "server"])
def test_what_does_not_answer_is_asked_about_by_what_it_is(of: str) -> None:
    # Seen: "is the agent running there?" of a metrics server.
    with socket.socket() as nobody:
        nobody.bind(("127.0.0.1", 0))
        url = f"http://127.0.0.1:{nobody.getsockname()[1]}/"
        with pytest.raises(RemoteError, match=f"is the {of} running there"):
            fetch(url, seconds=5, of=of)
