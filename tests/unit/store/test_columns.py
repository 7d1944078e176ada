import random
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs
from msgspec.structs import replace

from support.record_windows import counted_of
from support.records import any_record, lifelike
from support.reduce import total_rtt
from whichhop.model import Columns, Fate, Method, Record, SessionKey
from whichhop.model.units import NS_PER_MINUTE
from whichhop.store.columns import (
    SessionColumns,
    _fill,
    _fill_optional,
    each_session,
    records_within,
    session_columns,
)
from whichhop.store.read import FOREVER, unpacked_within
from whichhop.store.store import Store
from whichhop.wire.packed import pack, take_block, unfold

KEY = SessionKey(agent="desk", target="attic", method=Method.STAMP)


def check(got: SessionColumns, records: list[Record]) -> None:
    for name in ("sent_ns", "rtt_ns", "out_ns", "queue_ns"):
        wanted = [v for r in records for v in getattr(r.samples, name)]
        assert getattr(got, name).tolist() == wanted, name
    assert got.fate.tolist() == [v for r in records for v in r.samples.fate]
    facts = [(f.minute + place, f) for f in got.facts for place in range(f.times)]
    assert [minute for minute, _ in facts] == [r.minute for r in records]
    for (_, fact), record in zip(facts, records, strict=True):
        assert (fact.count, fact.stamps) == (len(record.samples), record.stamps)


@pytest.mark.parametrize("packed", [False, True])
def test_numpy_sees_what_was_stored(tmp_path: Path, packed: bool) -> None:
    records = [lifelike(random.Random(m), 6000 + m, KEY, loss=0.1) for m in range(130)]
    with Store.open(tmp_path / "s.db") as store:
        store.append_all(records)
        if packed:
            store.pack_hours(6130)
        check(session_columns(store, KEY), records)
        check(session_columns(store, KEY, 6050, 6125), records[50:125])
        only = session_columns(store, KEY, wanted=("rtt_ns",))
        assert (only.out_ns, only.queue_ns) == (None, None)


def test_records_that_came_late_are_put_in_their_place(tmp_path: Path) -> None:
    records = [lifelike(random.Random(m), 6000 + m, KEY) for m in range(70)]
    with Store.open(tmp_path / "s.db") as store:
        store.append_all(records[:20] + records[40:])
        store.pack_hours(6500)
        store.append_all(records[20:40])
        store.pack_hours(6500)
        check(session_columns(store, KEY), records)


@given(st.lists(any_record(KEY), min_size=1, max_size=3))
def test_any_values_are_unpacked_by_numpy_as_by_the_plain_reader(records: list[Record]) -> None:
    block = take_block(unfold(pack(records)))
    sent = np.empty(block.sent_ns.total, np.int64)
    _fill(sent, block.sent_ns)
    assert sent.tolist() == [v for r in records for v in r.samples.sent_ns]
    for name in ("rtt_ns", "out_ns", "queue_ns"):
        values = np.empty(len(sent), np.int64)
        _fill_optional(values, getattr(block, name))
        assert values.tolist() == [v for r in records for v in getattr(r.samples, name)]


@given(st.lists(any_record(KEY), min_size=1, max_size=8))
def test_records_by_numpy_are_those_of_the_plain_reader(records: list[Record]) -> None:
    body = pack(records)
    minutes = sorted(r.minute for r in records)
    for bounds in ((0, FOREVER + 1), (minutes[0] + 1, FOREVER), (minutes[0], minutes[-1])):
        wanted = [r for r in records if bounds[0] <= r.minute < bounds[1]]
        assert list(unpacked_within(body, *bounds)) == wanted
        assert list(records_within(body, *bounds)) == wanted


def test_hours_and_minutes_by_numpy_are_as_stored(tmp_path: Path) -> None:
    records = [lifelike(random.Random(m), 6000 + m, KEY, loss=0.1) for m in range(130)]
    with Store.open(tmp_path / "s.db") as store:
        store.append_all(records)
        store.pack_hours(6130)
        assert list(store.session_records(KEY, 6050, 6125, records_within)) == records[50:125]


def test_a_session_that_is_not_there_is_empty(tmp_path: Path) -> None:
    with Store.open(tmp_path / "s.db") as store:
        got = session_columns(store, KEY)
    assert got.sent_ns.dtype == np.int64
    assert len(got.sent_ns) == len(got.fate) == 0


@pytest.mark.slow
def test_sessions_reduced_on_several_processors_come_back_in_order(tmp_path: Path) -> None:
    keys = [SessionKey(agent="desk", target=f"node-{n}", method=Method.ECHO) for n in range(5)]
    records = [lifelike(random.Random(m), 6000 + m, key) for m in range(70) for key in keys]
    with Store.open(tmp_path / "s.db") as store:
        store.append_all(records)
        store.pack_hours(6100)
    one, two = (
        list(each_session(tmp_path / "s.db", keys, total_rtt, span=(6010, 6065), processes=n)) for n in (1, 2)
    )
    assert one == two
    for (target, count, total), key in zip(one, keys, strict=True):
        mine = [r for r in records if r.session == key and 6010 <= r.minute < 6065]
        assert (target, count) == (key.target, sum(len(r.samples) for r in mine))
        assert total == sum(s.rtt_ns or 0 for r in mine for s in r.samples)


def test_a_record_without_an_answer_says_nothing_of_stamps(tmp_path: Path) -> None:
    heard = lifelike(random.Random(1), 6000, KEY)
    silent = replace(
        heard,
        minute=6001,
        samples=Columns.of(
            structs.replace(
                s, sent_ns=s.sent_ns + NS_PER_MINUTE, fate=Fate.LOST, rtt_ns=None, out_ns=None, queue_ns=None
            )
            for s in heard.samples
        ),
        stamps="",
    )
    with Store.open(tmp_path / "s.db") as store:
        store.append_all([heard, silent])
        assert session_columns(store, KEY).stamps == {heard.stamps}
        assert session_columns(store, KEY, 6001).stamps == frozenset()
        assert session_columns(store, KEY, 6002).stamps == frozenset()
    assert counted_of(KEY, [heard, silent]).stamps == (heard.stamps,)
