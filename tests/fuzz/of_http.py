"""Readers of HTTP: what a client asks our agent, what a server answers our client, and what stands in it."""

import asyncio
import atexit
import random
import socket
import tempfile
from collections.abc import Iterator, MutableMapping
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

import msgspec

from fuzz.allowed import allowed, any_text, complained, must, named
from support.bulletins import NOW_NS, at_fault, calm
from support.live import STAMP, busy_state
from support.records import lifelike
from whichhop.app.agents.agents_fetch import proven
from whichhop.app.looks.metric_text import modem_line, modems_of, rates_of
from whichhop.cli.answers.screen import View, screen
from whichhop.config.keys import derive_keys
from whichhop.daemon.beside.comparer import show
from whichhop.errors import RemoteError
from whichhop.lab.standard_home import alder_home
from whichhop.model import Home
from whichhop.model.bulletin import Bulletin
from whichhop.net import http_client
from whichhop.net.http_client import HttpClient, HttpError
from whichhop.outside import OutsideError, json_of, typed_plain
from whichhop.printable import printable
from whichhop.serve.app import App
from whichhop.serve.door import Door
from whichhop.serve.page.document import bulletin_page
from whichhop.serve.page.handler import Page
from whichhop.store.store import Store
from whichhop.wire.html_form import page_of, remedy_for

TOKEN = "5f" * 32
_STATUSES = frozenset({200, 308, 400, 401, 404, 405, 414, 421, 426, 503})
"""All that door, application and handlers give; anything else was not thought of."""


@cache
def _home() -> Home:
    return alder_home()


@cache
def _app() -> App:
    folder = tempfile.TemporaryDirectory()
    atexit.register(folder.cleanup)
    path = Path(folder.name) / "desk.db"
    with Store.make(path) as store:
        store.append_all([lifelike(random.Random(m), 28_333_320 + m, STAMP, count=2) for m in range(2)])
    live = busy_state()
    live.bulletin = msgspec.json.encode(at_fault())
    app = App(
        live=live,
        store=path,
        door=Door(token=TOKEN),
        summary=lambda: {"home": "Alder House"},
    )
    Page(live=live, home=_home, now_ns=lambda: NOW_NS).add_to(app)
    return app


def api_request(octets: bytes) -> None:
    """The first line: method, path and query; each further one a header; a first octet of T: in TLS."""
    first, *lines = octets.split(b"\n")[:40]
    method, _, target = first.partition(b" ")
    path, _, query = target.partition(b"?")
    scope = {
        "type": "http",
        "method": method.decode("latin-1").upper(),
        "path": path.decode("utf-8", "replace"),
        "query_string": query,
        "scheme": "https" if octets.startswith(b"T") else "http",
        "headers": [(k.lower(), v.strip()) for k, _, v in (line.partition(b":") for line in lines)],
    }
    sent: list[MutableMapping[str, Any]] = []

    async def send(message: MutableMapping[str, Any]) -> None:
        sent.append(message)

    async def receive() -> MutableMapping[str, Any]:
        return {"type": "http.disconnect"}

    asyncio.run(_app()(scope, receive, send))
    must(sent[0]["status"] in _STATUSES, f"status {sent[0]['status']}")
    for name, value in sent[0]["headers"]:
        must(b"\n" not in name + value and b"\r" not in name + value, f"a header that is two: {value!r}")
    if sent[0]["status"] != 200 and scope["method"] != "HEAD":
        complained(ValueError(json_of(sent[1]["body"], "refusal")["error"]))


@contextmanager
def _answering(octets: bytes) -> Iterator[None]:
    """Every connection that the client makes meets one that says these octets and is then silent."""
    pairs: list[socket.socket] = []

    def reached(_connection: object) -> socket.socket:
        ours, theirs = socket.socketpair()
        pairs.extend((ours, theirs))
        theirs.sendall(octets[:50_000])  # fits the pair's buffer
        theirs.shutdown(socket.SHUT_WR)
        return ours

    real = http_client._Connection._reached
    http_client._Connection._reached = reached  # type: ignore[method-assign,assignment]
    try:
        yield
    finally:
        http_client._Connection._reached = real  # type: ignore[method-assign]
        for sock in pairs:
            sock.close()


def http_answer(octets: bytes) -> None:
    with _answering(octets):
        client = HttpClient(seconds=2.0, most_octets=20_000, follow=True)
        try:
            for _ in range(2):  # once more with the cookies that it was given
                got = client.ask("http://192.0.2.1/levels")
                must(100 <= got.status <= 999 and len(got.body) <= 20_000, f"status {got.status}")
                must(printable(got.reason) == got.reason, f"a reason that acts: {got.reason!r}")
        except HttpError as trouble:
            complained(trouble)


def login_page(octets: bytes) -> None:
    page = page_of(any_text(octets))
    remedy = remedy_for(page)
    must(printable(remedy) == remedy and len(remedy) < 2_000, f"a remedy that acts: {remedy!r}")


KEYS = derive_keys(bytes(32))


def identity_said(octets: bytes) -> None:
    allowed(lambda: proven(octets, "desk", "http://192.0.2.20:8620", KEYS))


def bulletin_line(octets: bytes) -> None:
    """The comparer's word to the daemon and on the page; another agent's word on the screen of `status`."""
    live = busy_state()
    try:
        show(live, octets)
        bulletin_page(msgspec.json.decode(octets, type=Bulletin), live=live, now_ns=NOW_NS)
        told = typed_plain(octets, "agent desk: its bulletin", Bulletin)
        text = screen(
            View(bulletin=told, source="", answers={}, rates=[], modems=[], budget_mb=None, maker="")
        )
    except OutsideError as trouble:
        complained(trouble)
    else:
        must(all(printable(line) == line for line in text.split("\n")), f"a screen that acts: {text!r}")


def metrics_text(octets: bytes) -> None:
    """Another agent's metrics as `status` reads them."""
    try:
        text = "\n".join(printable(line) for line in any_text(octets).split("\n"))
        rates_of(text, _home())
        for levels in modems_of(text, NOW_NS):
            modem_line(levels, _home())
    except RemoteError as trouble:
        complained(trouble)


TARGETS = named(api_request, http_answer, login_page, identity_said, bulletin_line, metrics_text)
_ALLOWED = b"\nHost: 192.0.2.20:8620\nAuthorization: Bearer " + TOKEN.encode()
_PLACES = (b"/api/records?after=0&limit=2", b"/api/readings?after=1", b"/api/home", b"/metrics", b"/bulletin")
SEEDS = {
    "api_request": [
        *(b"GET " + place + _ALLOWED for place in _PLACES),
        b"GET /metrics\nHost: attic.lan\nAccept: application/openmetrics-text; version=1.0.0",
        b"GET /\nHost: [2001:db8::20%25eth0]:8620\nAuthorization: Basic OnNlY3JldA==",
        b"POST /identity\nHost: example.org",
    ],
    "http_answer": [
        b"HTTP/1.1 200 OK\r\nContent-Type: text/html; charset=utf-8\r\nContent-Length: 5\r\n\r\nhello",
        b"HTTP/1.1 100 Continue\r\n\r\nHTTP/1.1 200 OK\r\n"
        b"Transfer-Encoding: chunked\r\n\r\n5\r\nhello\r\n0\r\n\r\n",
        b"HTTP/1.1 302 Found\r\nLocation: /login?next=/levels\r\nSet-Cookie: id=5; Path=/\r\n\r\n",
        b"HTTP/1.0 401 No\r\nWWW-Authenticate: Basic\r\n\r\n",
    ],
    "login_page": [
        b"<form action='/goform/login' method=post><input type=hidden name=csrf value=7><input name=user>"
        b"<input type=password name=pw></form><script>location.href='/login.html'</script>",
    ],
    "identity_said": [b'{"agent": "desk", "certificate": "-----BEGIN CERTIFICATE-----\\n", "proof": "00"}'],
    "bulletin_line": [msgspec.json.encode(b) for b in (calm(), at_fault())],
    "metrics_text": [
        b"# TYPE whichhop_transfer_from_agent_bytes_per_second gauge\n"
        b'whichhop_transfer_from_agent_bytes_per_second{agent="desk",'
        b'target="harbour"} 2.5e7\nwhichhop_modem_power_dbmv{agent="desk",modem="modem",direction="down",'
        b'channel="3"} 1.5\n'
    ],
}
