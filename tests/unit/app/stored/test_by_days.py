"""What is kept of days changes no answer: with it, without it, damaged, outdated or half written."""

import json
import random
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from support.judged_once import judged_once
from support.long_store import FIRST_HOUR, fill, late, short_house
from support.records import lifelike
from whichhop.app.stored import by_days
from whichhop.app.stored.collect import Opened, keep_within
from whichhop.app.stored.store_windows import compared, windows_of_store
from whichhop.compare.comparison import compare_windows, comparison_data
from whichhop.compare.day_judging import DaySpan
from whichhop.model import Home, Record, derive_sessions
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S
from whichhop.store.kept_days import KeptDays
from whichhop.store.store import Store

HOME = short_house()
HOURS = 54
START_NS = FIRST_HOUR * 60 * NS_PER_MINUTE
END_NS = START_NS + HOURS * 60 * NS_PER_MINUTE
SLOW = [("attic/router", 300, 330), ("attic/router", 1430, 1445), ("desk/attic", 3000, 3050)]


@pytest.fixture(scope="module", autouse=True)
def _judged_once() -> Iterator[None]:
    with judged_once():
        yield


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("long") / "s.db"
    with Store.open(path) as store:
        fill(store, HOME, HOURS, SLOW)
    return path


@pytest.fixture(scope="module")
def once(filled: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Path]:
    """What is said of it, and where something was kept then."""
    path = tmp_path_factory.mktemp("fresh") / "s.db"
    shutil.copy(filled, path)
    return said(path), path


@pytest.fixture(scope="module")
def fresh(once: tuple[str, Path]) -> str:
    return once[0]


@pytest.fixture
def path(once: tuple[str, Path], tmp_path: Path) -> Path:
    """The same store with all that is kept of it."""
    shutil.copy(once[1], tmp_path / "s.db")
    shutil.copytree(f"{once[1]}.days", tmp_path / "s.db.days")
    return tmp_path / "s.db"


@pytest.fixture
def judged(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """The days that are judged from now on, by their place."""
    out: list[int] = []
    real = by_days._Worker._judged

    def noted(worker: Any, span: DaySpan) -> Any:
        out.append((span.begin_ns - START_NS) // (24 * 60 * NS_PER_MINUTE))
        return real(worker, span)

    monkeypatch.setattr(by_days._Worker, "_judged", noted)
    return out


def said(
    path: Path, home: Home = HOME, loose: tuple[Record, ...] = (), processes: int = 1, end_ns: int = END_NS
) -> str:
    with Store.open(path) as store:
        source = Opened(store=store, path=path, open_records=loose)
        found = compared(source, home, start_ns=START_NS, end_ns=end_ns, processes=processes)
    assert found is not None
    return json.dumps(comparison_data(found))


def without(path: Path, **how: Any) -> str:
    """What is said where nothing is kept."""
    shutil.rmtree(f"{path}.days")
    return said(path, **how)


def kept(path: Path, kind: str = "") -> list[Path]:
    return sorted(p for p in Path(f"{path}.days").iterdir() if f".{kind}" in p.name)


def test_kept_days_say_the_same_and_only_the_day_that_is_not_over_is_judged(
    path: Path, fresh: str, judged: list[int]
) -> None:
    assert len(json.loads(fresh)["verdicts"]) == len(SLOW)
    kinds = [f"2026-01-0{day}.{kind}" for day in (1, 2) for kind in ("judged", "windows")]
    assert [p.name.rpartition(".")[0] for p in kept(path)] == kinds
    assert said(path) == fresh
    assert judged == [2]


def test_the_store_says_what_its_windows_in_memory_say(path: Path) -> None:
    with Store.open(path) as store:
        windows = windows_of_store(store, HOME, start_ns=START_NS, end_ns=END_NS, processes=1)
        readings = list(store.readings(from_ns=START_NS - NS_PER_MINUTE, to_ns=END_NS))
        assert windows is not None
        found = compare_windows(HOME, windows, readings)
    assert found is not None
    data = json.loads(said(path))
    whole = json.loads(json.dumps(comparison_data(found)))
    for key in ("from_ns", "to_ns", "packets", "stamps", "levels", "not_measured", "not_judged_s"):
        assert data[key] == whole[key], key
    facts = ("cause", "elements", "probability", "start_ns", "end_ns", "severity", "proven")
    assert [[v[f] for f in facts] for v in data["verdicts"]] == [
        [v[f] for f in facts] for v in whole["verdicts"]
    ]


def test_two_processes_say_the_same(path: Path, fresh: str) -> None:
    assert without(path, processes=2) == fresh


def test_a_damaged_file_is_worked_out_again(path: Path, fresh: str, judged: list[int]) -> None:
    for file in kept(path):
        octets = bytearray(file.read_bytes())
        octets[-3] ^= 64
        file.write_bytes(octets)
    assert said(path) == fresh
    assert judged == [0, 1, 2]
    judged.clear()
    for file in kept(path):
        file.write_bytes(file.read_bytes()[:50])
    assert said(path) == fresh
    assert said(path) == fresh
    assert judged == [0, 1, 2, 2]


def test_octets_that_are_whole_and_no_day_are_worked_out_again(path: Path, fresh: str) -> None:
    with by_days.KeptDays.beside(path) as place:
        for file in kept(path):
            day, kind, _ = file.name.split(".")
            place.put(kind, day, file.read_bytes()[16:48], b"\x93\x01\x02\x03")
    assert said(path) == fresh


def test_a_record_that_comes_late_has_its_days_judged_anew(path: Path, fresh: str, judged: list[int]) -> None:
    key = derive_sessions(HOME)[0].key
    with Store.open(path) as store:
        store.append(late(key, 26 * 60 + 7))
    after = said(path)
    # the second day, the first whose run-out is over by two o'clock is not touched
    assert judged == [1, 2]
    assert after != fresh
    assert without(path) == after


def test_a_record_of_the_run_out_has_the_day_before_judged_anew(path: Path, judged: list[int]) -> None:
    with Store.open(path) as store:
        store.append(late(derive_sessions(HOME)[0].key, 24 * 60 + 7))
    said(path)
    assert judged == [0, 1, 2]


def test_another_home_file_has_every_day_judged_anew(path: Path, judged: list[int]) -> None:
    other = short_house("up_mbps: 20", "up_mbps: 30")
    after = said(path, home=other)
    assert judged == [0, 1, 2]
    assert without(path, home=other) == after


def test_another_version_has_every_day_judged_anew(
    path: Path, fresh: str, judged: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(by_days, "code_digest", lambda *_: b"another")
    assert said(path) == fresh
    assert judged == [0, 1, 2]


def test_where_nothing_can_be_kept_it_works_all_the_same(path: Path, fresh: str, judged: list[int]) -> None:
    shutil.rmtree(f"{path}.days")
    Path(f"{path}.days").write_text("in the way")
    assert said(path) == fresh
    assert judged == [0, 1, 2]


def test_what_is_not_in_the_store_yet_is_judged_and_not_kept(path: Path, judged: list[int]) -> None:
    key = derive_sessions(HOME)[0].key
    open_minute = lifelike(random.Random(2), FIRST_HOUR * 60 + HOURS * 60, key)
    before = kept(path)
    found = json.loads(said(path, loose=(open_minute,), end_ns=END_NS + NS_PER_MINUTE))
    assert found["to_ns"] == END_NS + NS_PER_MINUTE
    assert judged == [2]
    assert kept(path) == before


def test_days_whose_records_are_dropped_go_with_them(path: Path) -> None:
    with Store.open(path) as store:
        now = FIRST_HOUR * 60 + HOURS * 60
        home = short_house("targets:", "limits: {keep_days: 1}\ntargets:")
        keep_within(store, home, now, lambda _: None)
        assert {p.name[:10] for p in kept(path)} == {"2026-01-02"}


def test_an_hour_that_is_packed_drops_nothing_and_nothing_is_said(tmp_path: Path) -> None:
    # Seen: "the oldest -1 days of records were dropped", an hour after the first record.
    key, said = derive_sessions(HOME)[0].key, list[str]()
    first = FIRST_HOUR * 60 + 3  # three minutes into an hour, which is packed whole
    with Store.make(tmp_path / "one.db") as store:
        store.append_all([lifelike(random.Random(2), first, key)], [])
        keep_within(store, HOME, first + 180, said.append)
        assert store.span() == (FIRST_HOUR * 60, FIRST_HOUR * 60 + 59)
    assert said == []


def test_readings_of_the_day_before_are_not_read_again(path: Path) -> None:
    hour_ns = 3600 * NS_PER_S
    with Store.open(path) as store:
        worker = by_days._Worker(
            by_days.Order(
                store=path, home=HOME, kept=KeptDays.of(path), loose=(), window_keys={}, judged_keys={}
            ),
            store,
        )
        for first, end in ((0, 25), (1, 49), (24, 49), (30, 54), (2, 10), (2, 12)):
            span = {"from_ns": START_NS + first * hour_ns, "to_ns": START_NS + end * hour_ns}
            assert worker._read(*span.values()) == list(store.readings(**span))
