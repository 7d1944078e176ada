"""Readers of what other agents say outside a collection, what our children say, small files, and SSDP."""

import os
from collections import Counter
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from unittest import mock

import msgspec

from fuzz.allowed import allowed, must, named, scratch
from support.bulletins import calm
from whichhop.app.agents import agents_fetch, epoch_learning
from whichhop.cli.answers.status import hear
from whichhop.config.epochs import is_owners, owner_of
from whichhop.config.found_addresses import read_found
from whichhop.config.keys import key_of_text
from whichhop.config.known_agents import read_known
from whichhop.daemon.beside import home_news, whereabouts
from whichhop.daemon.beside.own_traffic import OwnTraffic
from whichhop.daemon.home_in_use import in_use
from whichhop.daemon.job_runner import Troubles
from whichhop.daemon.notice.sending import Sent, command_of, secret_of
from whichhop.daemon.transfer.port import TransferPort
from whichhop.lab.standard_home import alder_home
from whichhop.model import Home
from whichhop.model.chain_signature import ChainSignature
from whichhop.model.handover import Handover
from whichhop.model.levels_source import CounterSource
from whichhop.net import http_client
from whichhop.net.clock import SystemClock
from whichhop.net.host import Host
from whichhop.outside import typed
from whichhop.printable import printable
from whichhop.probes.snmp_ask import read_user
from whichhop.wire.upnp_wan import SERVICE, description_address

BASE = "https://192.0.2.20:8622"


@cache
def _home() -> Home:
    return alder_home()


def agents_word(octets: bytes) -> None:
    """What an agent answers when asked what is new, how it is, and why it refuses."""
    allowed(lambda: typed(octets, "attic", home_news._Said))
    with mock.patch.object(agents_fetch, "fetch", return_value=octets):
        allowed(lambda: must(0 <= agents_fetch._epoch_at(BASE) < 2**63, "an epoch out of range"))
    heard = hear("attic", BASE, lambda _url: octets)
    must(all(printable(part) == part for part in heard.failing), f"parts that act: {heard.failing!r}")
    why = http_client._said(SimpleNamespace(body=octets))  # type: ignore[arg-type]
    must(printable(why) == why and 0 < len(why) < 1_000, f"a reason that acts: {why[:200]!r}")


_OWNER = b'{"public_key": "' + b"58" + b"66" * 31 + b'", "sealed": "PEM"}'


def new_key(octets: bytes) -> None:
    """What an agent hands out as the home's new key, which only its owner's signature makes one."""

    def read() -> None:
        said = typed(octets, BASE, epoch_learning.Answer, most=epoch_learning.MOST_OCTETS)
        must(len(key_of_text(said.key, BASE)) == 32, "a key of another length")
        must(not is_owners(said.epoch, owner_of(_OWNER, "home.owner")), "a statement that nobody signed")

    allowed(read)


def stream_shown(octets: bytes) -> None:
    """The first line of whoever connects to the transfer port while a transfer runs."""
    said: list[str] = []
    port = SimpleNamespace(_feed=object(), _session="00" * 32, _refused=said.append)
    TransferPort._is_stream(port, octets, None, "192.0.2.20:40000")  # type: ignore[arg-type]
    must(all(printable(line) == line for line in said), f"a line that acts: {said!r}")


def child_words(octets: bytes) -> None:
    """What our own short processes hand back, which a half-written answer or a full disk may cut."""
    for kind in (home_news._Learned, home_news._Learned, whereabouts._Met, Sent, ChainSignature):
        allowed(lambda kind=kind: typed(octets, "a child", kind))  # type: ignore[misc]
    allowed(lambda: in_use(typed(octets, "home.yaml", Handover), "desk", Path("home.yaml")), ValueError)


class _NoChildren:
    def keep(self, *_: object) -> None: ...


def counters_line(octets: bytes) -> None:
    """The process that reads a router's counters, line by line: totals only grow, and stay numbers."""
    totals: list[tuple[int, ...]] = []
    said: list[str] = []
    traffic = OwnTraffic(
        Host(Path("/nonexistent")),
        SystemClock(),
        lambda *counted: totals.append(counted),
        troubles=Troubles(said.append, Counter[str]().update),
        children=_NoChildren(),  # type: ignore[arg-type]
    )
    source = CounterSource(description="http://192.0.2.1:5000/desc.xml")
    traffic.follow(interface=None, source=source, most_bps=None)
    for line in octets.split(b"\n"):
        allowed(lambda line=line: traffic._hear(line))  # type: ignore[misc]
    must(all(0 <= n < 2**70 for one in totals for n in one[1:]), f"totals {totals}")
    must(all(printable(line) == line for line in said), f"a line that acts: {said!r}")


def small_files(octets: bytes) -> None:
    """Files beside the home file and the secrets' own, each whole or one line of complaint."""
    with scratch() as folder:
        path = folder / "home.yaml"
        for suffix in (".agents", ".addresses", ".secret"):
            path.with_suffix(suffix).write_bytes(octets)
            path.with_suffix(suffix).chmod(0o600)
        allowed(lambda: read_known(path.with_suffix(".agents"), {}))
        must(all(":" in a or "." in a for a in read_found(path, {}).values()), "an address that is none")
        secret = path.with_suffix(".secret")
        allowed(lambda: read_user(secret))
        allowed(lambda: must("\n" not in secret_of(secret), "a secret of two lines"))
        allowed(lambda: must(os.access(command_of(secret)[0], os.X_OK), "what cannot be run"))


def ssdp_answer(octets: bytes) -> None:
    found = description_address(octets, SERVICE)
    must(found is None or printable(found) == found, f"an address that acts: {found!r}")


TARGETS = named(agents_word, new_key, stream_shown, child_words, counters_line, small_files, ssdp_answer)


def _handover() -> bytes:
    hand = Handover(
        home=_home(),
        api_token="token",
        stamp_key="00" * 32,
        transfer_key="00" * 32,
        certificate="PEM",
        secret="PEM",
        page_password="",
        identity="{}",
        maker="K7QF-2M9X",
        own_key="K7QF-2M9X",
    )
    return msgspec.json.encode(hand)


SEEDS = {
    "agents_word": [
        b'{"agents": "0123456789abcdef", "epoch": 2}',
        b'{"error": "no such path", "in_trouble": ["store"]}',
        msgspec.json.encode(calm()),
    ],
    "new_key": [
        b'{"epoch": {"number": 1, "revoked": [{"agent": "laptop", "key": "ab", "at_s": 1}],'
        b' "key_digest": "cd", "signature": "00"}, "key": "' + b"A" * 43 + b'=", "owner": ' + _OWNER + b"}"
    ],
    "stream_shown": [b'{"stream": 1, "token": "' + b"00" * 32 + b'"}'],
    "child_words": [
        b'{"learned": ["shed"], "refused": ["den: no address"]}',
        b'{"number": 1, "revoked": ["laptop"], "kept": "desk.revoked"}',
        b'{"agent": "shed"}',
        b'{"ok": false, "words": "550 no such user"}',
        b'{"seq": 5, "head": "00", "at_ns": 6, "public_key": "00", "signature": "00"}',
        _handover(),
    ],
    "counters_line": [
        b'{"count": {"bits": 32, "received": 4294967290, "sent": 7}, "mono_ns": 1000000000}\n'
        b'{"count": {"bits": 32, "received": 5, "sent": 9}, "mono_ns": 11000000000}',
        b'{"failed": "192.0.2.1 does not answer"}',
    ],
    "small_files": [
        b'{"certificates": {"shed": "-----BEGIN CERTIFICATE-----"}}',
        b'{"shed": "192.0.2.77", "attic": "2001:db8::7"}',
        b"# of the modem\nuser: reader\nauth: willow mill\npriv: otter meadow\n",
        b"/bin/sh\n-c\ntrue\n",
    ],
    "ssdp_answer": [
        b"HTTP/1.1 200 OK\r\nCACHE-CONTROL: max-age=1800\r\nEXT:\r\nLocation: http://192.0.2.1:5000/d.xml\r\n"
        b"ST: " + SERVICE.encode() + b"\r\nUSN: uuid:1::x\r\n\r\n"
    ],
}
