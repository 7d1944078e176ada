"""What `start` asks a router and a modem: a UPnP responder and a real SNMP agent of our own on loopback."""

import asyncio
import http.server
import os
import socket
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from support.need import need_program
from support.ports import free_udp_port
from whichhop.app.looks.modem_look import look_at_modem
from whichhop.net.clock import sleep_s
from whichhop.probes.router_offers import Offer, snmp_offer, upnp_offer
from whichhop.wire.upnp_wan import SERVICE

pytestmark = [pytest.mark.slow, pytest.mark.waits]
HERE = "127.0.0.1"


@contextmanager
def ssdp(answer: str) -> Iterator[int]:
    """A responder that answers every search so; its port."""
    ending = threading.Event()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as answering:
        answering.bind((HERE, 0))
        answering.settimeout(0.1)

        def serve() -> None:
            while not ending.is_set():
                with suppress(TimeoutError):
                    asked, who = answering.recvfrom(2000)
                    assert asked.startswith(b"M-SEARCH * HTTP/1.1\r\n")
                    answering.sendto(answer.encode(), who)

        thread = threading.Thread(target=serve)
        thread.start()
        try:
            yield answering.getsockname()[1]
        finally:
            ending.set()
            thread.join()


class Pages(http.server.BaseHTTPRequestHandler):
    """A router's description and totals; below /login a page that asks for a password."""

    garbage = False

    def log_message(self, *args: object) -> None: ...

    def _send(self, text: str) -> None:
        self.send_response(200)
        self.send_header("Content-Length", str(len(text)))
        self.end_headers()
        self.wfile.write(text.encode())

    def do_GET(self) -> None:
        if self.path == "/login":
            self._send("<html><form action=/l><input name=u><input type=password name=p></form></html>")
            return
        self._send(
            "<<<"
            if Pages.garbage
            else "<root><service>"
            f"<serviceType>{SERVICE}</serviceType><controlURL>/ctl</controlURL></service></root>"
        )

    def do_POST(self) -> None:
        self.rfile.read(int(self.headers["Content-Length"]))
        name = self.headers["SOAPAction"].strip('"').partition("#")[2].replace("Get", "New", 1)
        self._send(f"<e><{name}>7000</{name}></e>")


@pytest.fixture
def pages() -> Iterator[str]:
    server = http.server.ThreadingHTTPServer((HERE, 0), Pages)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    Pages.garbage = False
    yield f"http://{HERE}:{server.server_port}"
    server.shutdown()
    thread.join()
    server.server_close()


def found_at(location: str) -> str:
    return f"HTTP/1.1 200 OK\r\nST: {SERVICE}\r\nLOCATION: {location}\r\n\r\n"


def by_upnp(answer: str) -> Offer:
    with ssdp(answer) as port:
        return asyncio.run(upnp_offer(HERE, HERE, port=port))


def test_a_router_that_counts_by_upnp_is_found_and_was_read(pages: str) -> None:
    offer = by_upnp(found_at(f"{pages}/desc.xml"))
    assert offer.why == ""
    assert offer.source is not None
    assert offer.source.description == f"{pages}/desc.xml"


def test_a_description_of_garbage_is_one_line(pages: str) -> None:
    Pages.garbage = True
    offer = by_upnp(found_at(f"{pages}/desc.xml"))
    assert offer.source is None
    assert "its byte counters cannot be read" in offer.why
    assert "not XML" in offer.why
    assert offer.why.isprintable()


@pytest.mark.parametrize(
    ("answer", "why"),
    [
        ("\x00\x1b[31m garbage", "is not understood"),
        (found_at("http://192.0.2.9/desc.xml"), "on another machine, which was not asked"),
        (found_at("http://[/"), "on another machine, which was not asked"),
    ],
)
def test_answers_that_lead_nowhere_are_one_line(answer: str, why: str) -> None:
    offer = by_upnp(answer)
    assert offer.source is None
    assert why in offer.why
    assert offer.why.isprintable()


def test_nobody_who_answers_is_one_line() -> None:
    port = free_udp_port()
    assert "offers no byte counters by UPnP" in asyncio.run(upnp_offer(HERE, HERE, port=port)).why
    offer = asyncio.run(snmp_offer(HERE, port=port))
    assert offer.why == "the router does not answer SNMP with the community 'public'"


def test_a_real_agent_offers_the_default_routes_interface_or_names_those_it_has(tmp_path: Path) -> None:
    port = free_udp_port()
    conf = tmp_path / "snmpd.conf"
    conf.write_text(f"agentaddress udp:{HERE}:{port}\nrocommunity public\ndontLogTCPWrappersConnects yes\n")
    argv = [need_program("snmpd"), "-f", "-Lf", str(tmp_path / "log"), "-C", "-c", str(conf)]
    env = {**os.environ, "SNMP_PERSISTENT_DIR": str(tmp_path)}
    with subprocess.Popen(argv, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as running:
        sleep_s(0.7)
        offer = asyncio.run(snmp_offer(HERE, port=port))
        running.terminate()
    if offer.source is None:  # this machine has no default route
        assert "does not tell which interface" in offer.why
        assert "lo" in offer.interfaces
    else:
        assert offer.source.interface in {name for _, name in socket.if_nameindex()}


def test_a_modems_login_page_is_one_line_and_nothing_is_called_good(pages: str) -> None:
    look = asyncio.run(look_at_modem(f"{pages}/login"))
    assert look.levels is None
    assert "The modem was not read" in look.words
    assert "login" in look.words or "password" in look.words
    assert look.words.isprintable()
