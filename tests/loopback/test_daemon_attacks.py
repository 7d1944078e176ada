"""Nothing that arrives from the network ends an agent, or keeps others from being answered."""

import contextlib
import resource
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.loopback_home import ADDRESS, CLOCK, LoopbackHome
from whichhop.net.clock import sleep_s

pytestmark = [pytest.mark.slow, pytest.mark.waits]


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LoopbackHome]:
    """Two agents; the desk lives through every attack, at the usual limit of descriptors, and stops well."""
    made = LoopbackHome(tmp_path_factory.mktemp("home"))
    try:
        for node in ("study", "desk"):
            made.start(node, descriptors=1024)
        yield made
        assert made.stop("desk") == 0, made.log("desk")
    finally:
        made.end()


DIGITS = b"9" * 400
FIRST_LINES = [
    b'{"stream": 1e999, "token": "x"}',
    b'{"stream": ' + DIGITS + b', "token": "x"}',
    b'{"stream": -1, "token": "x"}',
    b'{"stream": NaN, "token": "x"}',
    b'{"stream": 0, "token": "\\ud800"}',
    b'{"name": "\\ud800", "nonce": "' + b"00" * 16 + b'", "proof": "00"}',
    b'{"name": "desk", "nonce": "' + b"00" * 16 + b'", "proof": "\\udfff"}',
    b'{"name": "desk", "nonce": "\\ud800", "proof": "00"}',
    b'{"name": "desk", "nonce": ' + DIGITS + b', "proof": 1e999}',
    b'{"name": ["desk"], "nonce": {"a": 1}, "proof": null}',
    b'{"name": "desk", "nonce": ' + b"[" * 3000 + b"]" * 3000 + b"}",
    b"[" * 4000,
    b"9" * 4000,
    b'{"refused": "\\u001b[2J\\u202e", "why": "key"}',
    b"\xff\xfe\x00\xed\xa0\x80",
    b"null",
    b'"' + b"\\u0000" * 300 + b'"',
]


def test_no_line_to_the_transfer_port_ends_the_agent(home: LoopbackHome) -> None:
    for line in FIRST_LINES:
        with socket.create_connection((ADDRESS["desk"], home.transfer), timeout=10) as talk:
            talk.recv(200)
            with contextlib.suppress(OSError):
                talk.sendall(line + b"\n")
                while talk.recv(1000):
                    pass
    assert home.running["desk"].poll() is None, home.log("desk")
    # The next one is greeted as ever, and nothing of it was a fault of ours.
    with socket.create_connection((ADDRESS["desk"], home.transfer), timeout=10) as talk:
        assert b"nonce" in talk.recv(200)
    assert home.metric("desk", "part_failures_total") == {}
    assert "\x1b" not in home.log("desk")
    home.measures_on()


def test_strangers_lines_do_not_fill_the_log(home: LoopbackHome) -> None:
    told = home.log("desk").count("turned away")
    before = home.metric("desk", "transfer_refusals_total").get((), 0)
    line = b'{"name": "x", "nonce": "' + b"00" * 16 + b'", "proof": "00"}\n'
    for _ in range(60):
        with socket.create_connection((ADDRESS["desk"], home.transfer), timeout=10) as talk:
            talk.recv(200)
            talk.sendall(line)
            with contextlib.suppress(OSError):
                talk.recv(200)
    home.wait(lambda: home.metric("desk", "transfer_refusals_total") == {(): before + 60})
    assert home.log("desk").count("turned away") <= told + 5


@contextlib.contextmanager
def connections(many: int, port: int, sources: int, first: bytes = b"") -> Iterator[list[socket.socket]]:
    """Connections that stay open, from that many addresses of ours; `first`: what each sends at once."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(hard, max(soft, many + 200)), hard))
    held: list[socket.socket] = []
    try:
        for n in range(many):
            sock = socket.socket()
            sock.setblocking(False)
            sock.bind((f"127.0.82.{1 + n % sources}", 0))
            with contextlib.suppress(BlockingIOError):
                sock.connect((ADDRESS["desk"], port))
            held.append(sock)
            if n % 50 == 49:
                sleep_s(0.02)
        sleep_s(0.3)
        for sock in held:
            with contextlib.suppress(OSError):
                sock.send(first)
        yield held
    finally:
        for sock in held:
            sock.close()
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


@pytest.mark.parametrize("sources", [1, 200])
@pytest.mark.parametrize("which", ["api", "tls", "transfer"])
def test_1100_idle_connections_at_1024_descriptors(home: LoopbackHome, which: str, sources: int) -> None:
    with connections(1100, getattr(home, which), sources):
        # While they stand: the API answers, the transfer port greets, packets go on.
        assert home.health()["status"] == "ok"
        with socket.create_connection((ADDRESS["desk"], home.transfer), timeout=10) as talk:
            assert b"nonce" in talk.recv(200)
        home.measures_on()
        used = len(list(Path(f"/proc/{home.running['desk'].pid}/fd").iterdir()))
        assert used < 250
    home.measures_on()


def test_70_half_requests_keep_nobody_out(home: LoopbackHome) -> None:
    with connections(70, home.api, 1, b"GET /metrics HTTP/1.1\r\nHost: x\r\nX-Half: ") as held:
        for _ in range(5):
            begun = CLOCK.mono_ns()
            assert home.health()["status"] == "ok"
            assert CLOCK.mono_ns() - begun < 5e9
        # One that drips a letter now and then is closed all the same.
        open_still = held[-16:]
        end = CLOCK.mono_ns() + 40e9
        while open_still:
            assert CLOCK.mono_ns() < end
            for sock in list(open_still):
                with contextlib.suppress(BlockingIOError):
                    try:
                        sock.send(b"a")
                        gone = sock.recv(100) == b""
                    except (ConnectionError, BrokenPipeError):
                        gone = True
                    if gone:
                        open_still.remove(sock)
            sleep_s(0.5)


def test_an_answer_that_nobody_takes_holds_no_place_for_ever(home: LoopbackHome) -> None:
    # Many questions at once, and never a look at the answers: both buffers fill up.
    with connections(3, home.api, 1, b"GET /metrics HTTP/1.1\r\nHost: x\r\n\r\n" * 200):
        assert home.health()["status"] == "ok"
    home.measures_on()


def test_running_out_of_descriptors_ends_nothing_and_passes(tmp_path: Path) -> None:
    home = LoopbackHome(tmp_path)
    try:
        _run_out(home)
    finally:
        home.end()


def _run_out(home: LoopbackHome) -> None:
    home.start("desk", descriptors=72)
    with connections(200, home.api, 100), connections(200, home.transfer, 100):
        sleep_s(3)
        assert home.running["desk"].poll() is None, home.log("desk")
        assert len(home.log("desk")) < 20_000
    home.measures_on()
    # A child can be had again: the home file is read by one.
    home.reload("desk")
    assert home.stop("desk") == 0


@pytest.mark.parametrize(
    "request_line",
    [
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + bytes(500),
        b"GET " + b"/" * 70_000 + b" HTTP/1.1\r\n\r\n",
        b"GET / HTTP/1.1\r\n" + b"a: b\r\n" * 30_000 + b"\r\n",
        b"GET /metrics HTTP/1.1\r\nHost: x\r\n\r\n\x00\xff garbage \r\n\r\n",
        b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: " + DIGITS + b"\r\n\r\n",
        b"POST / HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\nffffffffffffffffffff\r\n",
        b"GET /health HTTP/1.1\r\nHost: x\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n\r\n",
        b"GET /%ed%a0%80?after=%ff HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer \xff\r\n\r\n",
        b"GET /api/records?after=" + DIGITS + b" HTTP/1.1\r\nHost: x\r\n\r\n",
    ],
)
def test_no_request_ends_the_agent(home: LoopbackHome, request_line: bytes) -> None:
    talk = socket.create_connection((ADDRESS["desk"], home.api), timeout=10)
    with talk, contextlib.suppress(OSError):
        talk.sendall(request_line)
        talk.settimeout(1)
        while talk.recv(65536):
            pass
    assert home.health()["status"] == "ok"
    assert home.running["desk"].poll() is None, home.log("desk")


def test_begun_handshakes_take_no_memory_that_is_never_given_back(home: LoopbackHome) -> None:
    # Seen: 300 of them took an agent from 32 to 112 MB. 64 may stand at once.
    def resident_mb() -> float:
        status = Path(f"/proc/{home.running['desk'].pid}/status").read_text()
        return int(status.partition("VmRSS:")[2].split()[0]) / 1024

    before = resident_mb()
    # the head of a ClientHello whose rest never comes (RFC 8446 section 4.1.2)
    for _ in range(3):
        with connections(300, home.tls, 200, bytes.fromhex("16030100f1010000ed0303")):
            home.measures_on()
    assert resident_mb() - before < 25
