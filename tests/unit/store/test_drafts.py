"""Open minutes survive a kill as records, once."""

from pathlib import Path

from whichhop.model import Columns, Fate, Method, Record, Sample, SessionKey
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S
from whichhop.store.store import Store

KEY = SessionKey(agent="desk", target="attic", method=Method.STAMP)


def record(minute: int, samples: int, key: SessionKey = KEY) -> Record:
    at = minute * NS_PER_MINUTE
    sent = [
        Sample(sent_ns=at + i * NS_PER_S, fate=Fate.ANSWERED, rtt_ns=5_000_000 + i) for i in range(samples)
    ]
    return Record(session=key, minute=minute, samples=Columns.of(sent))


def kept(path: Path, key: SessionKey = KEY) -> list[tuple[int, int]]:
    with Store.open(path, read_only=True) as store:
        assert all(not report.trouble for report in store.verify())
        return [(r.minute, len(r.samples)) for r in store.session_records(key)]


def test_the_newest_draft_becomes_records_when_it_is_all_there_is(tmp_path: Path) -> None:
    path = tmp_path / "desk.db"
    other = SessionKey(agent="desk", target="router", method=Method.ECHO)
    with Store.open(path) as store:
        store.append(record(7, 60))
        store.put_draft([record(8, 20)])
        store.put_draft([record(8, 50), record(8, 49, other)])
    with Store.open(path) as store:
        assert store.take_drafts() == 2
        assert store.take_drafts() == 0
    assert kept(path) == [(7, 60), (8, 50)]
    assert kept(path, other) == [(8, 49)]


def test_a_minute_that_was_closed_after_its_draft_stays_single(tmp_path: Path) -> None:
    path = tmp_path / "desk.db"
    with Store.open(path) as store:
        store.put_draft([record(8, 50)])
        store.append(record(8, 60))
        store.pack_hours(600)
    with Store.open(path) as store:
        assert store.take_drafts() == 0
    assert kept(path) == [(8, 60)]


def test_a_draft_that_cannot_be_read_costs_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "desk.db"
    with Store.open(path) as store:
        store.append(record(7, 60))
        store.db.execute("INSERT INTO draft VALUES (1, x'00ff')")
    with Store.open(path) as store:
        assert store.take_drafts() == 0
    assert kept(path) == [(7, 60)]
