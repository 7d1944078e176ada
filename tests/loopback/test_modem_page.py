"""Modem pages served on loopback: logins, time-outs, and every way a page can be wrong."""

import asyncio
import base64
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import parse_qs

import pytest

from support.ports import free_tcp_port
from whichhop.errors import RemoteError
from whichhop.model.levels_source import LevelsSource, Login
from whichhop.net.clock import SystemClock
from whichhop.probes.levels import read_levels
from whichhop.probes.modem_page import MOST_OCTETS, _text, fetch_page

pytestmark = pytest.mark.waits

PAGE = (Path(__file__).parents[1] / "data" / "pages" / "rows.html").read_text()
LOGIN = """<form action="/login" method="post"><input type="hidden" name="token" value="t0k">
<input name="user"><input type="password" name="pass"></form>"""


class Handler(BaseHTTPRequestHandler):
    """A modem of our own making: one path a behaviour."""

    protocol_version = "HTTP/1.0"

    def say(self, body: str | bytes, status: int = 200, **headers: str) -> None:
        self.send_response(status)
        for name, value in headers.items():
            self.send_header(name.replace("_", "-"), value)
        self.end_headers()
        self.wfile.write(body if isinstance(body, bytes) else body.encode())

    def do_GET(self) -> None:
        wanted = "Basic " + base64.b64encode(b"admin:open sesame").decode()
        paths: dict[str, Callable[[], None]] = {
            "/open": lambda: self.say(PAGE),
            "/latin": lambda: self.say(PAGE.encode("latin-1"), Content_Type="text/html; charset=latin-1"),
            "/basic": lambda: (
                self.say(PAGE)
                if self.headers.get("Authorization") == wanted
                else self.say("no", 401, WWW_Authenticate='Basic realm="modem"')
            ),
            "/form": lambda: self.say(PAGE if "session=yes" in (self.headers.get("Cookie") or "") else LOGIN),
            "/garbage": lambda: self.say("<<<table><tr><td>&&& \x00"),
            "/moved": lambda: self.say("", 302, Location="/open"),
            "/away": lambda: self.say("", 302, Location="http://192.0.2.1/steal"),
            "/huge": lambda: self.say(b"x" * (MOST_OCTETS + 10)),
            "/broken": lambda: self.say("oops", 500),
        }
        paths.get(self.path, lambda: self.say("", 404))()

    def do_POST(self) -> None:
        fields = parse_qs(self.rfile.read(int(self.headers["Content-Length"])).decode())
        good = {"user": ["admin"], "pass": ["open sesame"], "token": ["t0k"], "lang": ["en"]}
        if self.path == "/login" and fields == good:
            self.say("", 302, Set_Cookie="session=yes; Path=/", Location="/form")
        else:
            self.say(LOGIN)

    def log_message(self, *_: object) -> None:
        pass


@pytest.fixture(scope="module")
def place() -> Iterator[str]:
    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    server.server_close()
    thread.join()


@contextmanager
def talker(talk: Callable[[socket.socket, threading.Event], None]) -> Iterator[int]:
    """A server that treats its one caller as told, until the test is over."""
    over = threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve() -> None:
            caller, _ = server.accept()
            with caller:
                talk(caller, over)

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        try:
            yield server.getsockname()[1]
        finally:
            over.set()
            thread.join(10)


def line(source: LevelsSource, wait_s: float = 2.0) -> str:
    with pytest.raises(RemoteError) as caught:
        fetch_page(source, wait_s)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_an_open_page_and_one_that_moved_are_fetched(place: str) -> None:
    for path in ("/open", "/moved", "/latin"):
        assert "Downstream Bonded" in fetch_page(LevelsSource(page=place + path), 2.0)


def test_basic_authentication_opens_the_page(place: str, tmp_path: Path) -> None:
    secret = tmp_path / "modem.secret"
    secret.write_text("open sesame\n")
    login = Login(user="admin", password_file=str(secret))
    assert fetch_page(LevelsSource(page=place + "/basic", login=login), 2.0) == PAGE


def test_401_is_one_clear_line_with_and_without_a_login(place: str) -> None:
    assert "wants a login (401); add login:" in line(LevelsSource(page=place + "/basic"))
    wrong = Login(user="admin", password="guess")
    said = line(LevelsSource(page=place + "/basic", login=wrong))
    assert "refuses the login (401); check user and password" in said
    assert "guess" not in said


def test_a_login_form_is_sent_with_its_hidden_fields_and_the_cookie_kept(place: str) -> None:
    login = Login(
        user="admin",
        password="open sesame",
        form="/login",
        user_field="user",
        password_field="pass",
        extra={"lang": "en"},
    )
    assert fetch_page(LevelsSource(page=place + "/form", login=login), 2.0) == PAGE
    wrong = Login(user="admin", password="x", form="/login", user_field="user", password_field="pass")
    assert "still asks for a password" in line(LevelsSource(page=place + "/form", login=wrong))


def test_a_password_never_travels_to_another_place(place: str) -> None:
    login = Login(user="admin", password="x")
    assert "sends the reader to 192.0.2.1" in line(LevelsSource(page=place + "/away", login=login))
    away = Login(user="admin", password="x", form="http://192.0.2.1/login")
    assert "login form leads to 192.0.2.1" in line(LevelsSource(page=place + "/form", login=away))


@pytest.mark.parametrize(
    ("path", "words"),
    [("/none", "answered 404"), ("/broken", "answered 500"), ("/huge", f"more than {MOST_OCTETS} octets")],
)
def test_wrong_answers_are_one_clear_line(place: str, path: str, words: str) -> None:
    assert words in line(LevelsSource(page=place + path))


def test_a_missing_password_file_is_one_clear_line(place: str, tmp_path: Path) -> None:
    from whichhop.errors import SystemRefusedError

    login = Login(user="admin", password_file=str(tmp_path / "none"))
    with pytest.raises(SystemRefusedError, match="put the modem's password there"):
        fetch_page(LevelsSource(page=place + "/basic", login=login), 2.0)


def test_nobody_listening_is_one_clear_line() -> None:
    assert "cannot be reached: Connection refused" in line(
        LevelsSource(page=f"http://127.0.0.1:{free_tcp_port()}/")
    )


def test_a_silent_modem_is_given_up_after_the_wait() -> None:
    with talker(lambda _caller, over: over.wait(10) and None) as port:
        assert "no answer within 0.2 s" in line(LevelsSource(page=f"http://127.0.0.1:{port}/"), 0.2)


def test_a_modem_that_stops_in_the_middle_is_given_up() -> None:
    def half(caller: socket.socket, over: threading.Event) -> None:
        caller.recv(4096)
        caller.sendall(b"HTTP/1.0 200 OK\r\nContent-Length: 9999\r\n\r\n<table>")
        over.wait(10)

    with talker(half) as port:
        assert "no answer within 0.2 s" in line(LevelsSource(page=f"http://127.0.0.1:{port}/"), 0.2)


def test_what_does_not_speak_http_is_told() -> None:
    def other(caller: socket.socket, _over: threading.Event) -> None:
        caller.recv(4096)
        caller.sendall(b"SSH-2.0-box\r\n")

    with talker(other) as port:
        assert "does not speak HTTP" in line(LevelsSource(page=f"http://127.0.0.1:{port}/"))


def test_a_page_over_tls_with_nobodys_certificate_says_what_to_write() -> None:
    def plain(caller: socket.socket, _over: threading.Event) -> None:
        caller.recv(4096)
        caller.sendall(b"HTTP/1.0 200 OK\r\n\r\nnot TLS")

    with talker(plain) as port:
        assert "insecure_tls: true" in line(LevelsSource(page=f"https://127.0.0.1:{port}/"))


@pytest.mark.slow
def test_a_whole_reading_by_page(place: str) -> None:
    source = LevelsSource(page=place + "/open")
    levels = asyncio.run(read_levels("modem", source, SystemClock()))
    assert [c.name for c in levels.channels] == ["down-21", "down-22", "down-0", "up-3", "up-4"]


@pytest.mark.slow
def test_a_garbage_page_is_one_clear_line_and_no_reading(place: str) -> None:
    source = LevelsSource(page=place + "/garbage")
    with pytest.raises(RemoteError, match="no table of channels found") as caught:
        asyncio.run(read_levels("modem", source, SystemClock()))
    assert "\n" not in str(caught.value)


@pytest.mark.slow
def test_a_page_that_trickles_for_ever_is_cut_off() -> None:
    def drip(caller: socket.socket, over: threading.Event) -> None:
        caller.recv(4096)
        caller.sendall(b"HTTP/1.0 200 OK\r\n\r\n")
        while not over.wait(0.1):
            try:
                caller.sendall(b".")
            except OSError:
                return

    with talker(drip) as port:
        source = LevelsSource(page=f"http://127.0.0.1:{port}/")
        with pytest.raises(RemoteError, match=r"no whole reading within 1\.5 s"):
            asyncio.run(read_levels("modem", source, SystemClock(), wait_s=1.0, whole_s=1.5))


@pytest.mark.parametrize(
    "charset", ["punycode", "idna", "hex", "undefined", "x" * 60_000, "a\0b", "latin1", None]
)
def test_a_page_of_any_charset_is_text_in_no_time(charset: str | None) -> None:
    # Python decodes punycode (RFC 3492) by inserting: three minutes for such a page, 0.2 s for a tenth of it
    begin = time.process_time()
    assert _text(b"-" + b"a9" * 100_000, charset).startswith("-a9")
    assert time.process_time() - begin < 1.0
