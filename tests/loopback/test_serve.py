"""The API on a real socket: what it answers, what it refuses, and what others make of it."""

import asyncio
import base64
import http.client
import json
import random
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from email.utils import parsedate_to_datetime
from pathlib import Path
from urllib.parse import quote, urlsplit

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families as openmetrics_families

from support.agent_server import TOKEN, serving
from support.need import need_program
from support.records import lifelike
from whichhop.errors import RemoteError, SystemRefusedError
from whichhop.model import Method, Reading, SessionKey
from whichhop.net.clock import SystemClock, sleep_s
from whichhop.net.http_client import fetch
from whichhop.serve.server import Server
from whichhop.store.chain import link
from whichhop.store.collect import collect
from whichhop.store.store import Store
from whichhop.wire.packed import canonical, unpack

pytestmark = pytest.mark.waits

KEY = SessionKey(agent="desk", target="attic", method=Method.STAMP)
FIRST = 28_333_320
RECORDS = [lifelike(random.Random(m), FIRST + m, KEY, count=10) for m in range(90)]
READINGS = [
    Reading(at_ns=(FIRST + m) * 60_000_000_000, agent="desk", name="wan_rx_bytes", value=m * 1e6)
    for m in range(20)
]


@pytest.fixture(scope="module")
def store_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    where = tmp_path_factory.mktemp("agent") / "s.db"
    with Store.open(where) as store:
        store.append_all(RECORDS, READINGS)
        store.pack_hours(FIRST + 90)
    return where


@pytest.fixture(scope="module")
def base(store_path: Path) -> Iterator[str]:
    with serving(store_path) as address:
        yield address


def ask(
    base: str, path: str, *, method: str = "GET", token: str | None = TOKEN, **headers: str
) -> tuple[int, dict[str, str], bytes]:
    parts = urlsplit(base)
    connection = http.client.HTTPConnection(parts.hostname or "", parts.port, timeout=20)
    if token is not None:
        headers["Authorization"] = f"Bearer {token}"
    connection.request(method, path, headers=headers)
    response = connection.getresponse()
    body = response.read()
    connection.close()
    return response.status, {k.lower(): v for k, v in response.getheaders()}, body


def test_records_are_handed_over_with_their_chain(base: str) -> None:
    status, headers, body = ask(base, "/api/records?after=57&limit=5")
    head, *rows = [json.loads(line) for line in body.splitlines()]
    assert (status, headers["content-type"]) == (200, "application/x-ndjson")
    assert (head["agent"], head["last_seq"]) == ("desk", 90)
    assert [row["seq"] for row in rows] == [58, 59, 60, 61, 62]
    for row in rows:
        (record,) = unpack(base64.b64decode(row["record"]))
        assert record == RECORDS[row["seq"] - 1]
        assert link(bytes.fromhex(row["before"]), canonical(record)).hex() == row["chain"]


def test_readings_are_handed_over_in_order(base: str) -> None:
    _, _, body = ask(base, "/api/readings?after=3&limit=2")
    assert [json.loads(line) for line in body.splitlines()[1:]] == [
        {"seq": seq, "at_ns": READINGS[seq - 1].at_ns, "name": "wan_rx_bytes", "value": (seq - 1) * 1e6}
        for seq in (4, 5)
    ]


@pytest.mark.parametrize("token", [None, "", "wrong", TOKEN[:-1], TOKEN + "0", "\xff"])
@pytest.mark.parametrize("path", ["/api/records", "/api/readings", "/api/home", "/api/nothing"])
def test_the_api_asks_for_the_homes_token(base: str, path: str, token: str | None) -> None:
    status, headers, body = ask(base, path, token=token)
    assert (status, headers["www-authenticate"]) == (401, "Bearer")
    assert "bearer token" in json.loads(body)["error"]


def test_health_and_metrics_are_open_and_home_is_told(base: str) -> None:
    assert json.loads(ask(base, "/health", token=None)[2]) == {"status": "ok", "agent": "desk"}
    assert ask(base, "/metrics", token=None)[0] == 200
    assert json.loads(ask(base, "/api/home")[2])["home"] == "Alder House"


@pytest.mark.parametrize(
    ("path", "method", "status", "says"),
    [
        ("/nothing", "GET", 404, "no such path: /nothing; there are /health"),
        ("/api/records", "POST", 405, "POST is not answered; use GET"),
        ("/api/records?after=-1", "GET", 400, "after is '-1'; give a whole number from 0"),
        ("/api/records?after=x", "GET", 400, "after is 'x'"),
        ("/api/records?limit=2001", "GET", 400, "limit is '2001'; give a whole number from 0 to 2000"),
        ("/api/records?limit=1&limit=2", "GET", 400, "'limit' is given twice"),
        ("/api/records?befor=1", "GET", 400, "unknown query key 'befor'; known: after, limit"),
        ("/api/records?after=" + quote("٣"), "GET", 400, "give a whole number"),
        ("/api/home?x=1", "GET", 400, "unknown query key 'x'; known: none"),
        ("/health?" + "x" * 3000, "GET", 414, "the query has 3000 bytes"),
    ],
)
def test_a_wrong_request_gets_one_clear_line(
    base: str, path: str, method: str, status: int, says: str
) -> None:
    got, headers, body = ask(base, path, method=method)
    assert (got, headers["content-type"]) == (status, "application/json")
    assert says in json.loads(body)["error"]


def test_head_gives_the_headers_alone(base: str) -> None:
    status, headers, body = ask(base, "/api/home", method="HEAD")
    assert (status, body) == (200, b"")
    assert int(headers["content-length"]) > 10


def test_each_answer_is_dated_on_a_kept_connection_too(base: str) -> None:
    # RFC 9110 6.6.1: a server with a clock dates its answers
    parts = urlsplit(base)
    connection = http.client.HTTPConnection(parts.hostname or "", parts.port, timeout=20)
    clock, dates = SystemClock(), []
    for pause_s in (1.2, 0.0):
        connection.request("GET", "/health")
        answer = connection.getresponse()
        answer.read()
        dates.append(parsedate_to_datetime(answer.headers["Date"]))
        assert abs(clock.utc_ns() / 1e9 - dates[-1].timestamp()) < 5
        sleep_s(pause_s)
    connection.close()
    assert dates[1] > dates[0]


def test_a_store_that_cannot_be_read_is_told_and_the_metrics_stay_up(tmp_path: Path) -> None:
    with serving(tmp_path / "gone.db") as base:
        status, _, body = ask(base, "/api/records")
        assert (status, "no such store" in json.loads(body)["error"]) == (503, True)
        assert ask(base, "/metrics")[0] == 200


def test_a_request_head_of_many_kilobytes_is_refused(base: str) -> None:
    parts = urlsplit(base)
    with socket.create_connection((parts.hostname, parts.port), timeout=10) as sock:
        sock.sendall(b"GET /health HTTP/1.1\r\nX-Filler: " + b"x" * 40_000)
        assert sock.recv(1000).startswith(b"HTTP/1.1 400")


@pytest.mark.slow
def test_a_connection_that_asks_nothing_is_closed(store_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("whichhop.serve.connection.IDLE_SECONDS", 0.3)
    with serving(store_path) as base:
        parts = urlsplit(base)
        with socket.create_connection((parts.hostname, parts.port), timeout=10) as sock:
            sock.sendall(b"GET /health HT")
            assert sock.recv(1000) == b""


def raw(base: str, octets: bytes, until: bytes = b"") -> bytes:
    """What a server sends back on one connection: until these octets, else until it closes."""
    parts = urlsplit(base)
    got = b""
    with socket.create_connection((parts.hostname, parts.port), timeout=10) as sock:
        sock.sendall(octets)
        while (data := sock.recv(65536)) and (not until or until not in got + data):
            got += data
        return got + data


def test_requests_sent_without_waiting_are_answered_in_their_order(base: str) -> None:
    # RFC 9112 9.3.2
    asks = b"".join(f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n".encode() for path in ("/health", "/no"))
    got = raw(base, asks + b"GET /last HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", until=b"/last;")
    statuses = [line.split()[1] for line in got.splitlines() if line.startswith(b"HTTP/1.1 ")]
    assert statuses == [b"200", b"404", b"404"]
    assert got.index(b"no such path: /no;") < got.index(b"no such path: /last;")


def test_a_body_is_passed_over_and_the_connection_goes_on(base: str) -> None:
    post = b"POST /health HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 100000\r\n\r\n" + b"G" * 100_000
    got = raw(base, post + b"GET /health HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", until=b'"status"')
    assert [line.split()[1] for line in got.splitlines() if line.startswith(b"HTTP/1.1 ")] == [b"405", b"200"]


def test_who_asks_to_close_gets_the_answer_and_the_end(base: str) -> None:
    got = raw(base, b"GET /health HTTP/1.0\r\nHost: 127.0.0.1\r\n\r\n")
    assert got.startswith(b"HTTP/1.1 200")


@pytest.mark.slow
def test_an_answer_that_nobody_takes_is_given_up(store_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("whichhop.serve.connection.IDLE_SECONDS", 0.1)
    with serving(store_path) as base:
        parts = urlsplit(base)
        with socket.socket() as sock:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            sock.settimeout(10)
            sock.connect((parts.hostname, parts.port))
            for _ in range(3000):
                try:
                    sock.sendall(b"GET /metrics HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
                except (ConnectionError, TimeoutError):
                    break
                sleep_s(0.002)
            else:
                pytest.fail("the connection was kept")


def test_a_fault_of_our_own_is_500_and_told(tmp_path: Path) -> None:
    told: list[dict[str, object]] = []

    async def fails(scope: object, receive: object, send: object) -> None:
        raise ZeroDivisionError

    async def run() -> bytes:
        asyncio.get_running_loop().set_exception_handler(lambda _, context: told.append(context))
        server = Server(fails, host="127.0.0.1", port=0)
        await server.start()
        reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
        writer.write(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        got = await reader.read()
        writer.close()
        await server.stop()
        return got

    assert asyncio.run(run()).startswith(b"HTTP/1.1 500")
    assert isinstance(told[0]["exception"], ZeroDivisionError)


def test_a_port_that_is_taken_is_one_line_with_the_remedy(store_path: Path) -> None:
    with serving(store_path) as base:
        port = urlsplit(base).port or 0
        with pytest.raises(SystemRefusedError) as caught, serving(store_path, port=port):
            pass
    assert str(caught.value) == (
        f"127.0.0.1:{port}: the port is taken by another program; "
        "stop that one or change ports.api in the home file"
    )


def test_the_daemons_signal_handlers_are_left_alone(store_path: Path) -> None:
    async def run() -> tuple[object, object]:
        server = Server(lambda scope, receive, send: None, host="127.0.0.1", port=0)  # type: ignore[arg-type]
        was = signal.getsignal(signal.SIGTERM), signal.getsignal(signal.SIGINT)
        await server.start()
        during = signal.getsignal(signal.SIGTERM), signal.getsignal(signal.SIGINT)
        await server.stop()
        return was, during

    was, during = asyncio.run(run())
    assert was == during


def test_an_agents_records_are_collected_whole_and_only_once(
    base: str, store_path: Path, tmp_path: Path
) -> None:
    seen: list[tuple[str, int, int]] = []
    with Store.open(tmp_path / "c.db") as copy:
        (first,) = collect(copy, {"desk": base}, TOKEN, fetch, lambda *told: seen.append(told))
        assert (first.records, first.readings, first.trouble) == (90, 20, "")
        (again,) = collect(copy, {"desk": base}, TOKEN, fetch)
        assert (again.records, again.readings, again.trouble) == (0, 0, "")
        assert list(copy.session_records(KEY)) == RECORDS
        assert list(copy.readings()) == READINGS
        with Store.open(store_path, read_only=True) as original:
            assert copy.verify()[0].head == original.verify()[0].head
    assert seen == [("desk", 90, 90)]


def test_an_agent_that_is_down_or_distrusts_us_is_told_and_the_others_are_collected(
    base: str, tmp_path: Path
) -> None:
    with socket.socket() as idle:
        idle.bind(("127.0.0.1", 0))
        nobody = f"http://127.0.0.1:{idle.getsockname()[1]}"
        with Store.open(tmp_path / "c.db") as copy:
            down, wrong, good = collect(copy, {"attic": nobody, "router": base, "desk": base}, TOKEN, fetch)
            (locked,) = collect(copy, {"desk": base}, "nonsense", fetch)
    assert "is the agent running there?" in down.trouble
    assert "says it is 'desk'" in wrong.trouble
    assert (good.records, good.trouble) == (90, "")
    assert "401" in locked.trouble
    assert "bearer token" in locked.trouble


def test_openmetrics_over_the_wire_is_read_by_its_own_parser(base: str) -> None:
    _, headers, body = ask(base, "/metrics", Accept="application/openmetrics-text; version=1.0.0")
    assert headers["content-type"].startswith("application/openmetrics-text")
    assert {f.name for f in openmetrics_families(body.decode())} >= {"whichhop_round_trip_seconds"}


@pytest.mark.slow
def test_a_real_prometheus_server_scrapes_an_agent(base: str, tmp_path: Path) -> None:
    program = need_program("prometheus")
    promtool = need_program("promtool")
    target = urlsplit(base).netloc
    config = tmp_path / "prometheus.yml"
    config.write_text(
        "global: {scrape_interval: 1s, scrape_timeout: 1s}\n"
        f"scrape_configs: [{{job_name: whichhop, static_configs: [{{targets: ['{target}']}}]}}]\n"
    )
    subprocess.run([promtool, "check", "config", str(config)], check=True, capture_output=True)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    server = subprocess.Popen(
        [
            program,
            f"--config.file={config}",
            f"--storage.tsdb.path={tmp_path / 'data'}",
            f"--web.listen-address=127.0.0.1:{port}",
        ],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        found = _query(port, 'whichhop_round_trip_seconds_count{target="attic"}')
        assert found[0]["metric"]["method"] == "stamp"
        assert float(found[0]["value"][1]) > 150
        assert float(_query(port, 'up{job="whichhop"}')[0]["value"][1]) == 1
        p95 = _query(port, 'histogram_quantile(0.95, whichhop_round_trip_seconds_bucket{target="attic"})')
        assert 0.001 < float(p95[0]["value"][1]) < 0.01
        scrape = json.loads(fetch(f"http://127.0.0.1:{port}/api/v1/targets"))["data"]["activeTargets"][0]
        assert (scrape["health"], scrape["lastError"]) == ("up", "")
    finally:
        server.terminate()
        server.wait(20)


def _query(port: int, expression: str) -> list[dict[str, dict[str, str]]]:
    """Ask until the first scrape is in; bounded."""
    for _ in range(150):
        try:
            body = fetch(f"http://127.0.0.1:{port}/api/v1/query?query={quote(expression)}")
            result: list[dict[str, dict[str, str]]] = json.loads(body)["data"]["result"]
        except RemoteError:
            result = []
        if result:
            return result
        time.sleep(0.2)  # noqa: TID251 - waits for another program
    pytest.fail(f"Prometheus never answered {expression}")
