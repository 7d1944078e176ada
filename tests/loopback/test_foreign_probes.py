"""Fresh connections on loopback, against the library's own HTTP server that waits a known time."""

import http.server
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from support.certificate import certificate
from support.ports import free_tcp_port
from whichhop.net.clock import SystemClock, sleep_s
from whichhop.probes.foreign_probes import PLAIN_OCTETS, TLS_OCTETS, Aim, ForeignProbes, Steps

# The library's `wrap_socket` leaves its half-made socket to the collector when the other side has reset
# already, as a probe that trusts no certificate does.
pytestmark = [
    pytest.mark.slow,
    pytest.mark.waits,
    pytest.mark.filterwarnings("ignore:unclosed <ssl.SSLSocket:ResourceWarning"),
]

WAIT_S = 0.03


class Slow(http.server.BaseHTTPRequestHandler):
    def do_GET(self) -> None:
        sleep_s(WAIT_S)
        self.send_response(200)
        self.send_header("Content-Length", "2")
        self.end_headers()
        self.wfile.write(b"ok")

    def log_message(self, *_: object) -> None:
        pass


class Server(http.server.ThreadingHTTPServer):
    def handle_error(self, *_: object) -> None:
        """A handshake that the other side broke off is no trouble here."""


@contextmanager
def server(tls: ssl.SSLContext | None = None) -> Iterator[str]:
    with Server(("127.0.0.1", 0), Slow) as serving:
        if tls is not None:
            serving.socket = tls.wrap_socket(serving.socket, server_side=True, do_handshake_on_connect=False)
        thread = threading.Thread(target=serving.serve_forever)
        thread.start()
        yield f"http://127.0.0.1:{serving.server_port}/health"
        serving.shutdown()
        thread.join()


def probe(url: str, seconds: float, octets: int = 10**9, method: str = "GET") -> tuple[Steps, int]:
    probes = ForeignProbes(Aim(url=url, method=method), SystemClock(), octets=octets)
    probes.start()
    sleep_s(seconds)
    return probes.stop(), probes.cost_octets


def test_the_servers_wait_is_in_http_and_not_in_tcp_and_the_first_second_is_left_out() -> None:
    with server() as url:
        steps, cost = probe(url, 2.1)
    assert 1 <= len(steps.http) <= 12
    assert min(at for at, _ in steps.tcp) >= 1.0
    assert min(ms for _, ms in steps.http) >= WAIT_S * 1e3
    assert min(ms for _, ms in steps.tcp) < WAIT_S * 1e3
    assert (steps.tls, steps.failed) == ([], 0)
    assert cost == steps.begun * PLAIN_OCTETS


def test_a_refusal_is_a_round_trip_too() -> None:
    with server() as url:  # which knows GET only: 501
        steps, _ = probe(url, 1.5, method="HEAD")
    assert steps.http


def test_they_cost_no_more_than_they_may() -> None:
    with server() as url:
        steps, cost = probe(url, 1.8, octets=3 * PLAIN_OCTETS + 5)
    assert steps.begun == 3
    assert cost <= 3 * PLAIN_OCTETS + 5


def test_nobody_there_is_a_failed_probe_and_no_more() -> None:
    steps, _ = probe(f"http://127.0.0.1:{free_tcp_port()}/", 1.6)
    assert (steps.tcp, steps.http) == ([], [])
    assert steps.failed >= 1


def test_a_tls_handshake_is_a_step_of_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    cert, secret = certificate(tmp_path)
    monkeypatch.setenv("SSL_CERT_FILE", str(cert))
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(cert, secret)
    with server(context) as url:
        steps, cost = probe(url.replace("http:", "https:"), 3.0)
    assert len(steps.tcp) >= len(steps.tls) >= len(steps.http) >= 1
    assert cost == steps.begun * TLS_OCTETS


def test_a_certificate_that_nobody_vouches_for_is_a_failed_probe(tmp_path: Path) -> None:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(*certificate(tmp_path))
    with server(context) as url:
        steps, _ = probe(url.replace("http:", "https:"), 1.6)
    assert (steps.tls, steps.http) == ([], [])
    assert steps.failed >= 1
