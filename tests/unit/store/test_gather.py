"""What another agent, or whoever holds its address, can make us do, believe and keep."""

import base64
import json
import random
from pathlib import Path

import pytest

from support.records import lifelike
from whichhop.errors import RemoteError
from whichhop.model import Columns, Fate, Method, Reading, Record, Sample, SessionKey
from whichhop.printable import printable
from whichhop.serve.answer import Question
from whichhop.serve.records_api import readings_page, records_page
from whichhop.store.chain import genesis, link
from whichhop.store.collect import PAGE, Bounds, Fetch, collect, gather
from whichhop.store.store import Store
from whichhop.wire.packed import canonical, pack

KEY = SessionKey(agent="desk", target="attic", method=Method.ECHO)
FIRST = 28_333_320
REMOTE = {"desk": "http://192.0.2.20:8620", "attic": "http://192.0.2.21:8620"}
ORIGIN = bytes(16)


def honest(path: Path, agent: str, minutes: int) -> Fetch:
    key = SessionKey(agent=agent, target="router", method=Method.ECHO)
    with Store.open(path) as store:
        store.append_all([lifelike(random.Random(m), FIRST + m, key, count=3) for m in range(minutes)])

    def fetch(url: str, token: str) -> bytes:
        if url.endswith("/api/open"):
            return b""
        where, _, query = url.partition("?")
        page = records_page if where.endswith("records") else readings_page
        return page(
            path, agent, Question(path="", query=dict(p.split("=") for p in query.split("&")), headers={})
        ).body

    return fetch


def head(last_seq: int = 2**61) -> str:
    return json.dumps({"agent": "desk", "origin": ORIGIN.hex(), "last_seq": last_seq, "head": "00" * 32})


class Flood:
    """An agent with a sound chain that never ends; `record` makes the n-th."""

    def __init__(self, record: object, page: int = PAGE) -> None:
        self.record, self.page, self.asked = record, page, 0
        self.head = genesis("desk", ORIGIN)

    def __call__(self, url: str, token: str) -> bytes:
        self.asked += 1
        if "/api/open" in url or "readings" in url or "limit=0" in url:
            return b"" if "/api/open" in url else head().encode()
        after = int(url.partition("after=")[2].partition("&")[0])
        rows = [head()]
        for seq in range(after + 1, after + 1 + self.page):
            record = self.record(seq)  # type: ignore[operator]
            before, self.head = self.head, link(self.head, canonical(record))
            packed = base64.b64encode(pack((record,))).decode()
            rows.append(
                json.dumps({"seq": seq, "before": before.hex(), "chain": self.head.hex(), "record": packed})
            )
        return "\n".join(rows).encode()


def noise(seq: int) -> Record:
    return lifelike(random.Random(seq), FIRST + seq, KEY, count=20)


def test_what_one_agent_makes_us_keep_is_bounded(tmp_path: Path) -> None:
    flood = Flood(noise)
    with Store.make(tmp_path / "c.db") as store:
        for _ in range(3):
            (told,) = collect(store, {"desk": "x"}, "", flood, bounds=lambda: Bounds(most_octets=500_000))
            assert "MB that are kept of one agent" in told.trouble
        assert store.octets_of("desk") <= 500_000
        assert [r.trouble for r in store.verify()] == [""]
    assert flood.asked < 30


def test_an_agent_that_never_ends_is_left_when_its_time_is_over(tmp_path: Path) -> None:
    left = [3]

    def out_of_time() -> bool:
        left[0] -= 1
        return left[0] < 0

    with Store.make(tmp_path / "c.db") as store:
        (told,) = collect(
            store, {"desk": "x"}, "", Flood(noise), bounds=lambda: Bounds(out_of_time=out_of_time)
        )
        assert told.trouble.startswith("agent desk has more than can be had at once")
        assert told.records == 3 * PAGE


def test_an_agent_that_drips_a_record_a_page_gets_one_page_a_collection(tmp_path: Path) -> None:
    flood = Flood(noise, page=1)
    with Store.make(tmp_path / "c.db") as store:
        (told,) = collect(store, {"desk": "x"}, "", flood)
    assert (told.records, told.trouble) == (1, "")
    assert flood.asked <= 4


def below_zero(seq: int) -> Record:
    sample = Sample(sent_ns=(FIRST + seq) * 60 * 10**9, fate=Fate.ANSWERED, rtt_ns=-5 * 10**9)
    return Record(session=KEY, minute=FIRST + seq, samples=Columns.of([sample]))


def new_target(seq: int) -> Record:
    key = SessionKey(agent="desk", target=f"t{seq}", method=Method.ECHO)
    return lifelike(random.Random(seq), FIRST, key, count=1)


@pytest.mark.parametrize(
    ("record", "says"), [(below_zero, "round trip or wait below zero"), (new_target, "2000 sessions")]
)
def test_what_no_agent_measures_is_refused_in_one_line_that_names_it(
    tmp_path: Path, record: object, says: str
) -> None:
    with Store.make(tmp_path / "c.db") as store:
        (told,) = collect(store, {"desk": "x"}, "", Flood(record))
        assert says in told.trouble
        assert "agent desk" in told.trouble
        assert len(store.sessions()) <= 2000


def test_a_columns_that_cost_nothing_packed_are_no_gigabytes(tmp_path: Path) -> None:
    # All alike: a million such samples deflate to a few kilobytes, and took 70 octets each once unpacked.
    body = canonical(
        Record(
            session=KEY,
            minute=FIRST,
            samples=Columns.of([Sample(sent_ns=FIRST * 60 * 10**9, fate=Fate.LOST)] * 70_000),
        )
    )
    import zlib

    packed = base64.b64encode(zlib.compress(body, 9)).decode()
    before = genesis("desk", ORIGIN)
    row = {"seq": 1, "before": before.hex(), "chain": link(before, body).hex(), "record": packed}
    with Store.make(tmp_path / "c.db") as store:
        (told,) = collect(
            store,
            {"desk": "x"},
            "",
            lambda u, t: f"{head()}\n{json.dumps(row)}".encode() if "limit=5" in u else head().encode(),
        )
    assert "samples in one minute" in told.trouble


READING = {"seq": 1, "at_ns": 5, "name": "wan_rx_bytes", "value": 1.0}


@pytest.mark.parametrize(
    "row",
    [
        {**READING, "name": "\ud800"},
        {**READING, "name": "\x1b[2J"},
        {**READING, "name": ""},
        {**READING, "name": "x" * 100_000},
        {**READING, "value": "5"},
        {**READING, "value": None},
        {**READING, "at_ns": 2**63},
        {**READING, "at_ns": 1.5},
        {**READING, "seq": 10**400},
        [READING],
        "x",
    ],
)
def test_a_reading_of_another_kind_is_one_printable_line_and_the_rest_is_collected(
    tmp_path: Path, row: object
) -> None:
    other = honest(tmp_path / "attic.db", "attic", 5)

    def fetch(url: str, token: str) -> bytes:
        if url.startswith(REMOTE["attic"]):
            return other(url, token)
        if url.endswith("/api/open"):
            return b""
        return f"{head()}\n{json.dumps(row)}".encode() if "readings" in url else head().encode()

    with Store.make(tmp_path / "c.db") as store:
        desk, attic = gather(store, REMOTE, "", fetch).agents
        assert desk.trouble.startswith("agent desk")
        assert printable(desk.trouble) == desk.trouble
        assert len(desk.trouble) < 500
        assert (attic.records, attic.trouble) == (5, "")
        assert list(store.readings()) == []


def test_an_agent_that_does_not_answer_costs_one_patience_and_is_named(tmp_path: Path) -> None:
    other, asked = honest(tmp_path / "attic.db", "attic", 5), []

    def fetch(url: str, token: str) -> bytes:
        if url.startswith(REMOTE["desk"]):
            asked.append(url)
            raise RemoteError("http://192.0.2.20:8620: no whole answer within 15 s; is the agent running?")
        return other(url, token)

    with Store.make(tmp_path / "c.db") as store:
        desk, attic = gather(store, REMOTE, "", fetch).agents
    assert len(asked) == 1
    assert "no whole answer" in desk.trouble
    assert attic.records == 5


def test_open_minutes_that_cannot_be_read_are_told_though_the_rest_is_well(tmp_path: Path) -> None:
    other = honest(tmp_path / "attic.db", "attic", 5)

    def fetch(url: str, token: str) -> bytes:
        return b'{"record": "\\ud800"}' if url.endswith("/api/open") else other(url, token)

    with Store.make(tmp_path / "c.db") as store:
        (attic,) = gather(store, {"attic": REMOTE["attic"]}, "", fetch).agents
    assert attic.records == 5
    assert "its open minutes cannot be read" in attic.trouble


def test_an_agents_stores_begun_anew_for_ever_end_too(tmp_path: Path) -> None:
    turn = [0]

    def fetch(url: str, token: str) -> bytes:
        if "limit=0" in url:
            turn[0] += 1
        top = {"agent": "desk", "origin": turn[0].to_bytes(16).hex(), "last_seq": 0, "head": None}
        rows = [json.dumps({**READING, "at_ns": turn[0]})] if "readings" in url else []
        return "\n".join([json.dumps(top), *rows]).encode()

    with Store.make(tmp_path / "c.db") as store:
        told = [collect(store, {"desk": "x"}, "", fetch)[0] for _ in range(110)]
        assert "began a new store 100 times" in told[-1].trouble
        assert len(store.chains()) == 100
        assert isinstance(next(iter(store.readings())), Reading)
