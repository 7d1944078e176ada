import random
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from support.records import lifelike
from whichhop.errors import DataError, RemoteError, StoreError, StoreFullError
from whichhop.model import Columns, Method, Reading, Record, SessionKey
from whichhop.store.chain import genesis, link
from whichhop.store.store import Store
from whichhop.store.write import Linked
from whichhop.wire.packed import canonical, unfold

HOUR = 28_333_320 // 60
FIRST = HOUR * 60
KEYS = [
    SessionKey(agent="desk", target=t, method=m)
    for t, m in (("attic", Method.STAMP), ("router", Method.ECHO))
]


def minutes(count: int, start: int = FIRST, samples: int = 6) -> list[Record]:
    """`count` minutes of both sessions, as a daemon writes them."""
    rng = random.Random(start)
    return [lifelike(rng, start + m, key, count=samples) for m in range(count) for key in KEYS]


def open_at(path: Path) -> Store:
    return Store.open(path, origin=lambda: b"o" * 16)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return open_at(tmp_path / "s.db")


def by_session(records: list[Record]) -> dict[SessionKey, list[Record]]:
    return {key: [r for r in records if r.session == key] for key in KEYS}


def places(store: Store) -> list[tuple[int, bytes, bytes, bytes]]:
    """What another agent gets, deflate undone: a compressor may write the same record in other bytes."""
    return [(o.seq, o.before, o.after, unfold(o.packed)) for o in store.records("desk", 0, 1000)]


def everything(store: Store) -> dict[SessionKey, list[Record]]:
    return {key: list(store.session_records(key)) for key in store.sessions()}


def test_records_come_back_by_session_and_in_time(store: Store) -> None:
    records = minutes(5)
    assert store.append_all(records) == 10
    assert everything(store) == by_session(records)
    assert store.span() == (FIRST, FIRST + 4)


def test_the_same_record_twice_is_one(store: Store) -> None:
    records = minutes(3)
    assert [store.append_all(records), store.append_all(records)] == [6, 0]
    store.pack_hours(FIRST + 200)
    assert store.append_all(records) == 0
    assert everything(store) == by_session(records)


def test_a_minute_that_a_restart_cut_in_two_keeps_both_parts(store: Store) -> None:
    whole = lifelike(random.Random(1), FIRST, KEYS[0])
    parts = [
        Record(session=whole.session, minute=FIRST, samples=Columns.of(list(whole.samples)[a:b]))
        for a, b in ((0, 20), (23, 60))
    ]
    assert store.append_all(parts) == 2
    assert everything(store)[KEYS[0]] == parts


def test_packing_past_hours_changes_nothing_a_reader_sees(store: Store) -> None:
    records = minutes(150)
    store.append_all(records)
    before = places(store)
    assert store.pack_hours(FIRST + 150) == 4
    assert store.db.number("SELECT count(*) FROM minute") == 2 * 30
    assert everything(store) == by_session(records)
    assert places(store) == before


def test_an_hour_of_very_many_records_is_packed_in_several_blocks(store: Store) -> None:
    drawn = [lifelike(random.Random(n), FIRST + n % 60, KEYS[0], count=1) for n in range(1_300)]
    parts = list({r.samples.sent_ns[0]: r for r in drawn}.values())
    store.append_all(parts)
    assert store.pack_hours(FIRST + 200) == 2
    assert len(list(store.session_records(KEYS[0]))) == len(parts) > 1_000
    assert store.verify()[0].trouble == ""


def test_an_hour_is_not_packed_before_its_last_minute_is_settled(store: Store) -> None:
    store.append_all(minutes(60))
    assert store.pack_hours(FIRST + 61) == 0
    assert store.pack_hours(FIRST + 62, most=1) == 1
    assert store.pack_hours(FIRST + 62) == 1


def test_the_chain_is_sha256_over_the_link_before_and_the_canonical_bytes(store: Store) -> None:
    import hashlib

    records = minutes(2)
    store.append_all(records)
    here = hashlib.sha256(b"whichhop chain 1\0" + b"o" * 16 + b"desk").digest()
    assert here == genesis("desk", b"o" * 16)
    for record in records:
        here = hashlib.sha256(here + canonical(record)).digest()
    chain = store.own_chain("desk")
    assert chain is not None
    assert (chain.last_seq, chain.head) == (4, here)


def test_the_link_after_any_kept_record_can_be_asked_for(store: Store) -> None:
    store.append_all(minutes(4))
    (chain,) = store.chains()
    for seq, _, after, _ in places(store):
        assert store.link_at(chain.origin, seq) == after
    assert store.link_at(chain.origin, chain.last_seq) == chain.head
    assert store.link_at(chain.origin, chain.last_seq + 1) is None
    assert store.link_at(b"another", 1) is None


@pytest.mark.parametrize("packed", [False, True])
def test_records_are_handed_on_from_any_place_with_links_that_hold(store: Store, packed: bool) -> None:
    records = minutes(130)
    store.append_all(records)
    if packed:
        store.pack_hours(FIRST + 1000)
    for after in (0, 1, 77, 119, 120, 121, 259, 260):
        got = store.records("desk", after, 7)
        assert [one.seq for one in got] == list(range(after + 1, min(after + 8, 261)))
        for one in got:
            assert link(one.before, canonical(records[one.seq - 1])) == one.after


@pytest.mark.parametrize("packed", [False, True])
def test_the_chain_holds_after_packing_and_retention(store: Store, packed: bool) -> None:
    store.append_all(minutes(200))
    if packed:
        store.pack_hours(FIRST + 200)
    assert [(r.trouble, r.records, r.first_seq) for r in store.verify()] == [("", 400, 1)]
    head = store.verify()[0].head
    assert store.drop_before(FIRST + 130) > 0
    report = store.verify()[0]
    assert (report.trouble, report.head, report.last_seq) == ("", head, 400)
    assert report.first_seq == (241 if packed else 261)
    assert store.append(lifelike(random.Random(1), FIRST + 300, KEYS[0]))
    assert store.verify()[0].trouble == ""


@pytest.mark.parametrize(
    ("damage", "says"),
    [
        ("UPDATE minute SET body = (SELECT body FROM minute WHERE seq = 3) WHERE seq = 7", "7 is not what"),
        ("DELETE FROM minute WHERE seq = 7", "record 7 is missing"),
        ("DELETE FROM minute WHERE seq = 10", "record 10 is missing"),
        ("UPDATE minute SET seq = 99 WHERE seq = 7", "record 7 is missing"),
        (
            "UPDATE minute SET body = x'00' WHERE seq = 7",
            "after record 6: packed record: its packing is damaged",
        ),
    ],
)
def test_any_change_to_stored_records_is_found(store: Store, damage: str, says: str) -> None:
    store.append_all(minutes(5))
    store.db.execute(damage)
    assert says in store.verify()[0].trouble


def test_a_change_inside_a_packed_hour_is_found(store: Store) -> None:
    store.append_all(minutes(120))
    store.pack_hours(FIRST + 200)
    store.db.execute("UPDATE hour SET body = (SELECT body FROM hour WHERE id = 1) WHERE id = 3")
    assert store.verify()[0].trouble


def test_retention_by_size_drops_the_oldest_hours_and_gives_the_space_back(tmp_path: Path) -> None:
    store = open_at(tmp_path / "s.db")
    store.append_all(minutes(600, samples=60))
    store.pack_hours(FIRST + 1000)
    was = store.used_bytes()
    assert store.drop_to_size(was // 2) > 0
    assert store.used_bytes() <= was // 2
    low, high = store.span() or (0, 0)
    assert high == FIRST + 599
    assert low > FIRST
    assert store.verify()[0].trouble == ""
    store.drop_to_size(0)
    assert store.span() == (FIRST + 540, FIRST + 599)
    store.close()
    # What is on disk once all is written back: an hour of ten is left, which is not packed.
    assert (tmp_path / "s.db").stat().st_size < was / 2


def test_a_file_imported_late_neither_blocks_retention_nor_breaks_the_chain(store: Store) -> None:
    store.append_all(minutes(70, FIRST))
    store.append_all(minutes(3, FIRST - 6000))
    store.append_all(minutes(70, FIRST + 70))
    store.pack_hours(FIRST + 500)
    store.drop_before(FIRST + 60)
    assert store.span() == (FIRST - 6000, FIRST + 179)
    assert store.verify()[0].trouble == ""
    store.drop_before(FIRST + 120)
    assert (store.span() or (0,))[0] == FIRST + 120
    assert store.verify()[0].trouble == ""


YEAR = 365 * 24 * 60


@pytest.mark.parametrize("packed", [False, True])
def test_an_hour_of_a_clock_that_was_ahead_holds_no_later_record_back(store: Store, packed: bool) -> None:
    store.append_all(minutes(70, FIRST))
    ahead = minutes(60, FIRST + YEAR)
    late = Reading(at_ns=(FIRST + YEAR) * 60 * 10**9, agent="desk", name="x", value=1.0)
    store.append_all(ahead, [late])
    store.append_all(minutes(200, FIRST + 120))
    store.append_all([], [Reading(at_ns=(FIRST + 120) * 60 * 10**9, agent="desk", name="x", value=2.0)])
    if packed:
        store.pack_hours(FIRST + 2 * YEAR)
    now = FIRST + 400
    # Nothing written after it is too old yet: its own age is not known, so it stays.
    store.drop_before(FIRST + 60, now)
    assert (store.span() or (0, 0))[1] == FIRST + YEAR + 59
    store.drop_before(FIRST + 240, now)
    low, high = store.span() or (0, 0)  # whole hours where packed
    assert low == FIRST + 240
    assert FIRST + 319 <= high < now
    assert [r.value for r in store.readings()] == []
    assert all(not report.trouble for report in store.verify())


def test_a_clock_that_is_behind_today_drops_nothing_as_of_the_future(store: Store) -> None:
    store.append_all(minutes(70, FIRST))
    store.append_all([], [Reading(at_ns=FIRST * 60 * 10**9, agent="desk", name="x", value=1.0)])
    # A box without a clock of its own wakes up in 1970.
    store.drop_before(5 - 90 * 24 * 60, 5)
    assert store.span() == (FIRST, FIRST + 69)
    assert len(list(store.readings())) == 1


def test_hours_of_a_clock_that_was_behind_do_not_end_retention_by_size(store: Store) -> None:
    store.append_all(minutes(300, FIRST, samples=60))
    store.append_all(minutes(3, 10))  # 1970, in the middle of the chain
    store.append_all(minutes(300, FIRST + 300, samples=60))
    store.pack_hours(FIRST + 1000)
    was = store.used_bytes()
    assert store.drop_to_size(was // 2, FIRST + 700) > 0
    assert store.used_bytes() <= was // 2
    assert (store.span() or (0, 0))[1] == FIRST + 599
    assert all(not report.trouble for report in store.verify())


def test_readings_are_kept_once_by_agent_name_and_instant(store: Store) -> None:
    readings = [
        Reading(at_ns=FIRST * 60_000_000_000 + i, agent="desk", name="wan_rx_bytes", value=float(i))
        for i in range(5)
    ]
    assert [store.append_all((), readings), store.append_all((), readings)] == [5, 0]
    assert list(store.readings(agent="desk")) == readings
    assert list(store.readings(agent="attic")) == []
    assert list(store.readings_like("wan_", from_ns=0, to_ns=readings[4].at_ns)) == readings[:4]
    assert list(store.readings_like("transfer_", from_ns=0, to_ns=2**62)) == []
    assert [r for _, r in store.readings_after("desk", 2, 2)] == readings[2:4]
    store.drop_before(FIRST + 1)
    assert list(store.readings()) == []


def test_a_reading_that_is_no_number_is_refused_and_nothing_of_its_minute_is_stored(store: Store) -> None:
    bad = Reading(at_ns=1, agent="desk", name="steal_ratio", value=float("nan"))
    with pytest.raises(DataError, match="steal_ratio of desk is nan"):
        store.append_all(minutes(1), [bad])
    assert store.span() is None
    assert store.append_all(minutes(1)) == 2


def hand_over(store: Store, after: int = 0, limit: int = 1000) -> list[Linked]:
    return store.records("desk", after, limit)


def test_collected_records_are_idempotent_and_carry_their_chain_along(store: Store, tmp_path: Path) -> None:
    store.append_all(minutes(130))
    store.pack_hours(FIRST + 150)
    with Store.open(tmp_path / "c.db") as copy:
        assert copy.adopt("desk", b"o" * 16, hand_over(store, 0, 100)) == 100
        assert copy.adopt("desk", b"o" * 16, hand_over(store, 50)) == 210 - 50
        assert copy.adopt("desk", b"o" * 16, hand_over(store)) == 0
        assert everything(copy) == everything(store)
        copy.pack_hours(FIRST + 150)
        assert [(r.trouble, r.head) for r in copy.verify()] == [("", store.verify()[0].head)]
        assert copy.records("desk") == []


def test_another_agent_that_dropped_records_before_they_were_fetched_leaves_a_told_gap(
    store: Store, tmp_path: Path
) -> None:
    store.append_all(minutes(60))
    with Store.open(tmp_path / "c.db") as copy:
        copy.adopt("desk", b"o" * 16, hand_over(store, 0, 10))
        copy.adopt("desk", b"o" * 16, hand_over(store, 30))
        assert [(r.trouble, r.gaps, r.records) for r in copy.verify()] == [("", 20, 100)]


def test_a_record_that_came_by_file_before_is_not_stored_twice(store: Store, tmp_path: Path) -> None:
    records = minutes(10)
    store.append_all(records)
    with Store.open(tmp_path / "c.db") as copy:
        copy.append_all(records[4:7])
        assert copy.adopt("desk", b"o" * 16, hand_over(store)) == 17
        assert everything(copy) == by_session(records)
        assert [r.trouble for r in copy.verify()] == ["", ""]
        assert copy.adopt("desk", b"o" * 16, hand_over(store)) == 0


def test_another_agent_whose_chain_does_not_hold_is_refused_whole(store: Store, tmp_path: Path) -> None:
    store.append_all(minutes(10))
    good = hand_over(store)
    forged = Linked(seq=good[3].seq, before=good[3].before, after=good[3].after, packed=good[5].packed)
    with Store.open(tmp_path / "c.db") as copy:
        with pytest.raises(RemoteError, match="record 4 does not match"):
            copy.adopt("desk", b"o" * 16, [*good[:3], forged])
        assert copy.span() is None
        copy.adopt("desk", b"o" * 16, good[:3])
        with Store.open(tmp_path / "other.db", origin=lambda: b"o" * 16) as other:
            other.append_all(minutes(10, FIRST + 5))
            with pytest.raises(RemoteError, match="4 does not follow 3"):
                copy.adopt("desk", b"o" * 16, hand_over(other, 3))


def test_an_agent_whose_store_was_begun_anew_is_a_new_chain_beside_the_old(
    store: Store, tmp_path: Path
) -> None:
    store.append_all(minutes(3))
    with Store.open(tmp_path / "c.db") as copy, Store.open(tmp_path / "n.db") as anew:
        anew.append_all(minutes(2, FIRST + 10))
        origin = anew.chains()[0].origin
        copy.adopt("desk", b"o" * 16, hand_over(store))
        copy.adopt("desk", origin, hand_over(anew))
        assert [(r.trouble, r.records) for r in copy.verify()] == [("", 6), ("", 4)]


def test_a_full_disk_is_told_as_such_and_storing_goes_on_once_there_is_room(store: Store) -> None:
    store.append_all(minutes(2))
    pages = store.db.number("PRAGMA page_count")
    store.db.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(StoreFullError, match="the disk is full; free some space"):
        store.append_all(minutes(400, samples=60))
    assert everything(store) == by_session(minutes(2))
    store.db.execute("PRAGMA max_page_count = 1000000")
    assert store.append_all(minutes(400)) == 796
    assert store.verify()[0].trouble == ""


CHILD = """
import random, sys
sys.path.insert(0, {tests!r})
from support.records import lifelike
from whichhop.model import Method, SessionKey
from whichhop.store.store import Store
store = Store.open({path!r})
key = SessionKey(agent="desk", target="attic", method=Method.STAMP)
for minute in range({first}, {first} + 100_000):
    store.append(lifelike(random.Random(minute), minute, key, count=5))
    if minute % 60 == 0:
        store.pack_hours(minute)
    print(minute, flush=True)
"""


@pytest.mark.slow
@pytest.mark.parametrize("after", [1, 64, 200])
def test_a_killed_writer_loses_nothing_that_was_appended(tmp_path: Path, after: int) -> None:
    path = tmp_path / "s.db"
    tests = str(Path(__file__).parents[2])
    code = CHILD.format(tests=tests, path=str(path), first=FIRST)
    child = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    told = FIRST
    for _ in range(after):
        told = int(child.stdout.readline())
    child.kill()
    told = max([told, *map(int, child.stdout.read().split())])
    child.wait()
    child.stdout.close()
    with Store.open(path) as store:
        kept = [r.minute for r in store.session_records(KEYS[0])]
        assert kept in (list(range(FIRST, told + 1)), list(range(FIRST, told + 2)))
        assert store.verify()[0].trouble == ""
        assert store.append(lifelike(random.Random(1), told + 5, KEYS[0]))


def test_the_file_is_an_ordinary_sound_sqlite_file(tmp_path: Path) -> None:
    with open_at(tmp_path / "s.db") as store:
        store.append_all(minutes(70))
        store.pack_hours(FIRST + 200)
    plain = sqlite3.connect(tmp_path / "s.db")
    assert plain.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert plain.execute("PRAGMA foreign_key_check").fetchall() == []
    plain.close()


def test_a_closed_store_answers_with_one_line(store: Store) -> None:
    store.close()
    with pytest.raises(StoreError, match=r"s\.db: .*closed"):
        store.sessions()


def pages_written(store: Store, act: Callable[[], object]) -> int:
    """Pages that something puts into the write-ahead log."""
    store.db.execute("PRAGMA wal_autocheckpoint = 0")
    store.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    act()
    return int(store.db.execute("PRAGMA wal_checkpoint(PASSIVE)")[0][1])


def test_what_a_minute_writes_lies_together_and_an_hour_is_packed_in_one_go(store: Store) -> None:
    # an SD card counts pages: before, a minute touched a page for each kind of reading, and packing an hour
    # wrote the same pages once a session
    keys = [SessionKey(agent="desk", target=f"t{n}", method=Method.ECHO) for n in range(20)]
    samples = lifelike(random.Random(1), 0, keys[0], count=12).samples

    def write(m: int) -> None:
        records = [Record(session=key, minute=FIRST + m, samples=samples) for key in keys]
        at_ns = m * 60 * 10**9
        store.append_all(
            records, [Reading(at_ns=at_ns, agent="desk", name=f"r{n}", value=1) for n in range(80)]
        )

    for m in range(59):
        write(m)
    assert pages_written(store, lambda: write(59)) < 25  # 40 before
    assert pages_written(store, lambda: store.pack_hours(FIRST + 70)) < 100  # 1,030 before
    assert len(list(store.session_records(keys[0]))) == 60
