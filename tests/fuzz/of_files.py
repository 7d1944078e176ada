"""Readers of files that may be damaged or strange, and of what our child processes say."""

import asyncio
import base64
import contextlib
import gzip
import io
import random
from collections.abc import Callable, Sequence
from datetime import UTC
from functools import cache
from types import SimpleNamespace

from msgspec.structs import replace

from fuzz.allowed import allowed, must, named, scratch
from support.bulletins import calm
from support.records import lifelike
from whichhop.app.looks.transfer_order import Meanwhile, order_transfer, transfers_today
from whichhop.cli.measuring.transfer import _Bar, _text
from whichhop.config.keys import read_key
from whichhop.config.trusted_keys import read_trusted
from whichhop.daemon.notice.book import Place, decide, due, failed, kept_of, sent
from whichhop.daemon.transfer.async_line import LeaseAsk, OrderAsk, ReleaseAsk, asked_for
from whichhop.daemon.transfer.jobs import NeverBegunError, move
from whichhop.errors import RemoteError
from whichhop.model import Cause, Method, Reading, SessionKey
from whichhop.model.channel import LevelSpan
from whichhop.model.levels_source import LevelsSource
from whichhop.model.notices import Notices, Way, Webhook
from whichhop.model.past_fault import PastFault
from whichhop.net.child import Ended
from whichhop.net.clock import SystemClock
from whichhop.outside import json_of, mapping
from whichhop.printable import printable
from whichhop.probes.levels import read_levels
from whichhop.probes.transfer_line import Line
from whichhop.probes.transfer_talk import AskSpec, TransferRequest
from whichhop.store import past_faults
from whichhop.store.db import move_aside
from whichhop.store.files import read_file
from whichhop.store.store import Store
from whichhop.wire import bulk

KEY = SessionKey(agent="desk", target="attic", method=Method.ECHO)


def store_file(octets: bytes) -> None:
    """A store after the disk changed some of it: read, written, packed, or one line of our own errors."""
    record = lifelike(random.Random(9), 28_333_400, KEY, count=2)

    def use() -> None:
        with Store.make(path) as store:
            store.take_drafts()
            store.append_all([record], [Reading(at_ns=9, agent="desk", name="x", value=1.0)])
            store.verify()
            for key in store.sessions():
                list(store.session_records(key))
            list(store.readings())
            past_faults.faults(store.db, 0)
            past_faults.judged(store.db, 0)
            past_faults.levels(store.db, "modem", 0)
            store.pack_hours(28_333_600)
            store.drop_to_size(10_000)

    with scratch() as folder:
        path = folder / "desk.db"
        path.write_bytes(octets)
        allowed(use)
        move_aside(path, SystemClock().utc_ns())


def gzip_file(octets: bytes) -> None:
    with scratch() as folder:
        path = folder / "day.jsonl.gz"
        path.write_bytes(octets)
        allowed(lambda: read_file(path))


def key_files(octets: bytes) -> None:
    with scratch() as folder:
        path = folder / "home.key"
        path.write_bytes(octets)
        path.chmod(0o600)
        allowed(lambda: must(len(read_key(path, {})) == 32, "a key of another length"))
        allowed(lambda: read_trusted(path))


def notice_queue(octets: bytes) -> None:
    """What was queued before a restart: taken in, told over, tried, sent."""
    settings = Notices(webhook=Webhook(url="http://127.0.0.1/"))
    now_ns = 1_772_366_400_000_000_000
    place = Place(me="desk", order=("desk",), zone=UTC, begun_ns=0, ready=(Way.WEBHOOK,))

    def use() -> None:
        kept = kept_of(octets, "notices.json")
        decide(kept, replace(calm(), at_ns=now_ns), settings, place, now_ns)
        one = due(kept, Way.WEBHOOK, settings, now_ns, UTC)
        if one is not None:
            must(0 < failed(one, now_ns) <= 3600, "a pause that no pause is")
            sent(kept, one)

    allowed(use)


# -- children


def _saying(octets: bytes) -> Callable[..., object]:
    """A child that says these lines and ends."""

    async def run(
        argv: Sequence[str],
        *,
        given: bytes = b"",
        most_s: float,
        pass_fds: Sequence[int] = (),
        hear: Callable[[bytes], None] | None = None,
    ) -> Ended:
        for line in octets.split(b"\n") if hear is not None else ():
            hear(line)
        return Ended(code=0, out=octets, err=b"")

    return run


def levels_answer(octets: bytes) -> None:
    source = LevelsSource(page="http://192.0.2.1/")
    run = _saying(octets)
    allowed(lambda: asyncio.run(read_levels("modem", source, SystemClock(), run=run)))  # type: ignore[arg-type]


def transfer_child(octets: bytes) -> None:
    spec = AskSpec(name="desk", address="192.0.2.2", port=1, key="00", request=TransferRequest(way="out"))
    told: list[dict[str, object]] = []
    run = _saying(octets)
    allowed(lambda: asyncio.run(move(spec, told.append, run)), NeverBegunError)  # type: ignore[arg-type]


def transfer_asks(octets: bytes) -> None:
    """What another agent asks for over a talk that it has proven the key in."""
    for kind in (LeaseAsk, ReleaseAsk, OrderAsk):
        allowed(lambda kind=kind: asked_for(mapping(json_of(octets, "ask"), "ask"), kind))  # type: ignore[misc]


class _Said:
    """A talk in which the other agent says these lines, and is then gone."""

    where = "192.0.2.2:8621"
    sock = SimpleNamespace(settimeout=lambda _s: None)

    def __init__(self, octets: bytes) -> None:
        self._lines = octets.split(b"\n")

    def __enter__(self) -> "_Said":
        return self

    def __exit__(self, *_: object) -> None: ...

    def say(self, **_: object) -> None: ...

    def hear(self) -> dict[str, object]:
        if not self._lines:
            raise RemoteError("192.0.2.2:8621: the other agent closed the talk; see its log")
        return mapping(json_of(self._lines.pop(0), "a line", most=bulk.LONGEST_LINE), "a line")


def transfer_order(octets: bytes) -> None:
    """What the command line hears of an agent that moves data, and what it then shows."""

    def heard(said: Meanwhile) -> None:
        with contextlib.redirect_stderr(io.StringIO()) as shown:
            bar._live = True
            bar.show(said)
        text = shown.getvalue().replace("\r", "").replace("\n", "")
        must(printable(text) == text and len(text) < 10_000, f"a bar that acts: {text[:200]!r}")

    def ask() -> None:
        for one in order_transfer("192.0.2.2", 8621, bytes(32), heard):
            text = _text(one)
            must(all(printable(line) == line for line in text.split("\n")), f"a result that acts: {text!r}")

    bar, real = _Bar(), Line.dial
    Line.dial = lambda *_, **__: _Said(octets)  # type: ignore[method-assign,assignment,misc]
    try:
        allowed(ask)
        allowed(lambda: transfers_today("192.0.2.2", 8621, bytes(32), seconds=1.0))
    finally:
        Line.dial = real  # type: ignore[method-assign]


TARGETS = named(
    transfer_order,
    store_file,
    gzip_file,
    key_files,
    notice_queue,
    levels_answer,
    transfer_child,
    transfer_asks,
)


@cache
def _store_octets() -> bytes:
    with scratch() as folder:
        path = folder / "desk.db"
        with Store.make(path) as store:
            for hour in (0, 60):
                records = [lifelike(random.Random(m), 28_333_320 + hour + m, KEY, count=2) for m in range(2)]
                store.append_all(records, [Reading(at_ns=hour, agent="desk", name="y", value=7.0)])
                store.pack_hours(28_333_320 + 60)
            fault = PastFault(cause=Cause.BACKHAUL, elements=("attic/router",), start_ns=1, end_ns=2)
            past_faults.replace_faults(store.db, (), [fault])
            past_faults.add_judged(store.db, {7: 9})
            past_faults.put_levels(store.db, "modem", [LevelSpan(start_ns=3600 * 10**9, up_high_dbmv=51.5)])
        return path.read_bytes()


_LINE = b'{"at": "2026-03-01T18:04:05Z", "agent": "desk", "counter": "wan_rx_bytes", "value": 5}\n'
_CHANNEL = (
    b'{"direction": "down", "channel_id": 3, "carrier": "sc-qam", "frequency_hz": 603000000,'
    b'"width_hz": null,"modulation": 256, "locked": true, "power_dbmv": 1.5, "mer_db": 38.0}'
)
SEEDS: dict[str, list[bytes] | Callable[[], list[bytes]]] = {
    "store_file": lambda: [_store_octets()],
    "gzip_file": [gzip.compress(_LINE * 3), gzip.compress(b"")],
    "key_files": [base64.b64encode(bytes(range(32))) + b"\n", b"K7QF-2M9X-ABCD-EFGH-2345  # of a friend\n"],
    "notice_queue": [
        b'{"faults": [{"number": "desk-1-2", "cause": "wireless-hop", "elements": ["desk/attic"],'
        b'"probability": 0.9, "proven": true, "standing": false, "start_ns": 1772366000000000000,'
        b'"ways": {"webhook": ""}, "told_ns": {"webhook": 1772366100000000000}}],'
        b'"waiting": [{"way": "webhook", "kind": "opened", "fault": "desk-1-2", "elements": ["desk/attic"],'
        b'"start_ns": 1772366000000000000, "queued_ns": 1772366100000000000, "document": {"n": 1},'
        b'"tries": 2, "next_ns": 1772366100000000000}], "lately": {"webhook": [1772366100000000000]},'
        b'"left_out": {"webhook": 1}, "number": 3}',
    ],
    "levels_answer": [b'{"channels": [' + _CHANNEL + b'], "remarks": ["a table without a title"]}'],
    "transfer_child": [
        b'{"progress": {"rate_bps": 2e7}}\n{"done": {"octets": 5, "rate_bps": 2e7}}',
        b'{"failed": "refused", "began": false}',
    ],
    "transfer_order": [
        b'{"begins": {"agent": "desk", "other_end": "attic", "way": "out", "limit_s": 10.0}}\n'
        b'{"progress": {"seconds": 0.25, "octets": 5000000}}\n{"judging": 3.0}\n'
        b'{"results": [{"agent": "desk", "other_end": "attic", "way": "out", "start_ns": 5, "seconds": 9.5,'
        b'"streams": 2, "rate_bps": 2e7, "steady": true, "spread": 0.01, "limited": "", "octets": 5,'
        b'"wire_octets": 6, "ended": "time", "efficiency": 0.99, "load": {"target": "attic",'
        b'"before_s": 0.01,'
        b'"during_s": null, "during_p95_s": null, "after_s": null, "sent": 5, "lost": 0,'
        b'"trips_per_minute": null}}]}',
        b'{"waiting": "attic moves data"}\n{"refused": "the budget is used up"}',
        b'{"budget": 2000000000, "spent": 5000000, "held": "desk", "results": []}',
    ],
    "transfer_asks": [
        b'{"who": "desk", "seconds": 10.0, "octets": 5000000}',
        b'{"lease": "1", "used": 5}',
        b'{"other_end": "attic", "ways": ["out", "back"], "streams": 4, "seconds": 5}',
    ],
}
