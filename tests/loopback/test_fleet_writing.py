"""Windows written to a real server: a day without it, killed in the middle, too old; TLS with a token."""

import json
import ssl
import subprocess
import threading
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import msgspec
import pytest

from support.certificate import certificate
from support.metrics_history import Receiver, receiver
from whichhop.app.fleet.delivery import WAITS_S, Delivery
from whichhop.app.fleet.write_child import poster, turn
from whichhop.daemon.fleet.talk import WriteTask
from whichhop.model.fleet import Fleet, Series, WriteVersion
from whichhop.net.child import our_module
from whichhop.net.clock import SystemClock, sleep_s
from whichhop.store.outbox import Outbox

pytestmark = [pytest.mark.slow, pytest.mark.waits]
pytest.importorskip("google.protobuf", reason="the extra fleet is not installed")

NAMES = ("whichhop_window_round_trip_median_seconds", "whichhop_window_answered_packets")
DAY_S, TURN_S, WINDOW_S = 86_400, 30, 10


def frame(home: str, end_s: int) -> list[Series]:
    """Half a minute of two series; each value says when it was, so that none can stand for another."""
    labels = (("agent", "desk"), ("home", home))
    ends = [end_s - TURN_S + WINDOW_S * (i + 1) for i in range(TURN_S // WINDOW_S)]
    return [
        Series(name=name, labels=labels, points=tuple((at * 1000, (at % 9973) + place / 4) for at in ends))
        for place, name in enumerate(NAMES)
    ]


def kept(server: Receiver, home: str, end_s: int) -> Counter[tuple[str, int, float]]:
    """Every value that the server has, as often as it has it."""
    found: Counter[tuple[str, int, float]] = Counter()
    for row in server.query(f'{{home="{home}"}}[2d]', end_s + 1):
        found.update(
            (row["metric"]["__name__"], round(float(at)), float(value)) for at, value in row["values"]
        )
    return found


def test_a_day_without_the_server_is_made_up_for_with_nothing_lost_though_it_is_killed_meanwhile(
    tmp_path: Path,
) -> None:
    now_s = SystemClock().utc_ns() // 10**9 // TURN_S * TURN_S
    box = Outbox(tmp_path / "a.outbox", 10**8)
    with receiver(tmp_path) as server:
        post = poster(Fleet(url=server.write, queue_octets=10**8))
        delivery, totals = Delivery(box, 0.0), [0, 0]
        # The day by a virtual clock: frames come each half minute, tries as the waits say; nobody answers.
        at_s, next_try_s, tries = now_s - DAY_S, float(now_s - DAY_S), 0
        while at_s < now_s:
            at_s += TURN_S
            box.put(frame("Alder House", at_s))
            while next_try_s <= at_s:
                wait_s, trouble = turn(delivery, post, totals)
                assert "tried again" in trouble
                next_try_s, tries = next_try_s + wait_s, tries + 1
        assert tries < DAY_S / WAITS_S[-1] + len(WAITS_S) + 2
        assert box.waiting == DAY_S // WINDOW_S * len(NAMES)
        server.begin()
        # Another home was back first: what is a day old comes out of order for this server.
        other = Outbox(tmp_path / "b.outbox", 10**6)
        other.put(frame("Rowan House", now_s))
        assert turn(Delivery(other, 0.0), post, [0, 0]) == (0.0, "")
        for _ in range(2):
            assert turn(delivery, post, totals) == (0.0, "")
        # Killed after it has taken what the sender does not know to be taken: it is sent once more.
        frames = delivery.next()
        assert post([s for f in frames for s in f.series]).status in (200, 204)  # type: ignore[union-attr]
        server.kill()
        assert "tried again" in turn(delivery, post, totals)[1]
        server.begin()
        while (said := turn(delivery, post, totals))[0] == 0.0:
            assert said[1] == ""
        assert totals[1] == box.waiting == 0
        wanted = Counter(
            (one.name, at // 1000, value)
            for end_s in range(now_s - DAY_S + TURN_S, now_s + 1, TURN_S)
            for one in frame("Alder House", end_s)
            for at, value in one.points
        )
        assert kept(server, "Alder House", now_s) == wanted
        # Older than the server takes (three days here): told, given up, and what comes after is sent.
        box.put(frame("Alder House", now_s - 10 * DAY_S))
        box.put(frame("Birch House", now_s))
        troubles = [turn(delivery, post, totals)[1] for _ in range(30)]
        assert totals[1] == len(NAMES) * TURN_S // WINDOW_S
        assert any("given up" in told for told in troubles)
        assert sum(kept(server, "Birch House", now_s).values()) == TURN_S // WINDOW_S * len(NAMES)


def test_the_process_writes_what_waits_and_ends_with_its_daemon(tmp_path: Path) -> None:
    now_s = SystemClock().utc_ns() // 10**9 // TURN_S * TURN_S
    box = Outbox(tmp_path / "a.outbox", 10**7)
    box.put(frame("Alder House", now_s))
    with receiver(tmp_path) as server:
        server.begin()
        task = WriteTask(
            settings=Fleet(url=server.write, queue_octets=10**7), outbox=str(tmp_path / "a.outbox")
        )
        with subprocess.Popen(
            our_module("whichhop.app.fleet.write_child"), stdin=subprocess.PIPE, stdout=subprocess.PIPE
        ) as child:
            assert child.stdin is not None
            assert child.stdout is not None
            child.stdin.write(msgspec.json.encode(task) + b"\n")
            child.stdin.flush()
            for _ in range(100):
                if box.waiting == 0:
                    break
                sleep_s(0.1)
            told = json.loads(child.stdout.readline())
            assert told["trouble"] == ""
            child.stdin.close()
            assert child.wait(20) == 0
            assert sum(kept(server, "Alder House", now_s).values()) == TURN_S // WINDOW_S * len(NAMES)


def test_a_server_of_1_0_refuses_2_0_and_nothing_is_thrown_away_in_silence(tmp_path: Path) -> None:
    now_s = SystemClock().utc_ns() // 10**9 // TURN_S * TURN_S
    box = Outbox(tmp_path / "a.outbox", 10**7)
    box.put(frame("Alder House", now_s))
    with receiver(tmp_path) as server:
        server.begin()
        post = poster(Fleet(url=server.write, queue_octets=10**7, version=WriteVersion.TWO))
        _, trouble = turn(Delivery(box, 0.0, WriteVersion.TWO), post, totals := [0, 0])
        if totals[0]:  # a later server that has both
            assert sum(kept(server, "Alder House", now_s).values()) == totals[0] == 6
        else:
            assert "1.0" in trouble
            assert box.waiting == 6


@contextmanager
def behind_tls(folder: Path, token: str) -> Iterator[tuple[str, Path, list[int]]]:
    """A server that takes what has the token: its address, its certificate, the statuses it answered."""
    answered: list[int] = []

    class Desk(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            self.rfile.read(int(self.headers["Content-Length"]))
            answered.append(204 if self.headers["Authorization"] == f"Bearer {token}" else 401)
            self.send_response(answered[-1])
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    cert, secret = certificate(folder)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(cert, secret)
    with HTTPServer(("127.0.0.1", 0), Desk) as server:
        server.socket = context.wrap_socket(server.socket, server_side=True)
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield f"https://127.0.0.1:{server.server_port}/write", cert, answered
        server.shutdown()


def test_a_token_goes_only_to_the_server_that_the_certificate_names(tmp_path: Path) -> None:
    box, token, totals = Outbox(tmp_path / "a.outbox", 10**7), tmp_path / "token", [0, 0]
    box.put(frame("Alder House", SystemClock().utc_ns() // 10**9))
    token.write_text("K7QF-2M9X\n")
    token.chmod(0o600)
    other = tmp_path / "other"
    other.mkdir()
    with behind_tls(tmp_path, "K7QF-2M9X") as (url, cert, answered):

        def said(ca_file: Path | None) -> str:
            names = {"token_file": str(token), "ca_file": None if ca_file is None else str(ca_file)}
            post = poster(Fleet(url=url, queue_octets=10**7, **names))
            return turn(Delivery(box, 0.0), post, totals)[1]

        for unknown in (None, certificate(other)[0]):
            assert "certificate" in said(unknown)
        assert (answered, box.waiting) == ([], 6)
        token.write_text("another\n")
        assert "token" in said(cert)
        assert (answered, box.waiting) == ([401], 6)
        token.write_text("K7QF-2M9X\n")
        assert said(cert) == ""
        assert (answered, box.waiting, totals) == ([401, 204], 0, [6, 0])
