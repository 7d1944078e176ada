"""A damaged store is noticed when it is opened, and moved aside whole."""

import shutil
from pathlib import Path

import pytest

from whichhop.errors import StoreDamagedError, StoreError
from whichhop.model import Columns, Fate, Method, Record, Sample, SessionKey
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S, UtcNs
from whichhop.store.db import MOST_ASIDE, move_aside
from whichhop.store.store import Store

KEY = SessionKey(agent="desk", target="attic", method=Method.STAMP)
NOW = UtcNs(1_800_000_000 * NS_PER_S)


def filled(path: Path, minutes: int = 200) -> Path:
    records = []
    for minute in range(minutes):
        start = minute * NS_PER_MINUTE
        sent = [Sample(sent_ns=start + i * NS_PER_S, fate=Fate.ANSWERED, rtt_ns=7**i) for i in range(20)]
        records.append(Record(session=KEY, minute=minute, samples=Columns.of(sent)))
    with Store.open(path) as store:
        store.append_all(records)
    return path


@pytest.mark.parametrize("share", [0.001, 0.1, 0.5, 0.9, 0.999])
def test_a_file_cut_short_is_damaged(tmp_path: Path, share: float) -> None:
    path = filled(tmp_path / "desk.db")
    whole = path.read_bytes()
    path.write_bytes(whole[: int(len(whole) * share)])
    with pytest.raises(StoreDamagedError, match=r"damaged; move it away.*begins a new one"):
        Store.open(path)


@pytest.mark.parametrize("zeroes", [100, 4096, 10**9])
def test_a_file_of_zeroes_is_damaged(tmp_path: Path, zeroes: int) -> None:
    path = filled(tmp_path / "desk.db")
    whole = path.read_bytes()
    path.write_bytes(bytes(min(zeroes, len(whole))) + whole[zeroes:])
    with pytest.raises(StoreDamagedError):
        Store.open(path)


def test_a_store_cut_short_with_its_log_beside_it_is_damaged(tmp_path: Path) -> None:
    path = filled(tmp_path / "desk.db")
    store = Store.open(path)  # open, so that the log is not folded in
    store.append(Record(session=KEY, minute=999, samples=Columns.of([])))
    copy = tmp_path / "copy.db"
    copy.write_bytes(path.read_bytes()[: 5 * 4096])
    shutil.copy(f"{path}-wal", f"{copy}-wal")
    store.close()
    with pytest.raises(StoreDamagedError):
        Store.open(copy)


def test_a_killed_store_whose_log_holds_the_rest_is_sound(tmp_path: Path) -> None:
    path = tmp_path / "desk.db"
    store = Store.open(path)
    store.append(Record(session=KEY, minute=999, samples=Columns.of([])))
    copy = tmp_path / "copy.db"
    for part in ("", "-wal"):
        shutil.copy(f"{path}{part}", f"{copy}{part}")
    store.close()
    with Store.open(copy) as again:
        assert again.sessions() == [KEY]


def test_an_empty_file_is_a_new_store(tmp_path: Path) -> None:
    (tmp_path / "desk.db").touch()
    with Store.open(tmp_path / "desk.db") as store:
        assert store.sessions() == []


def test_it_is_moved_aside_with_its_log_and_can_be_opened_there(tmp_path: Path) -> None:
    path = filled(tmp_path / "desk.db", 3)
    (tmp_path / "desk.db-wal").write_bytes(b"")
    there = move_aside(path, NOW)
    assert there.name == "desk.db.damaged-20270115T080000Z"
    assert not path.exists()
    with Store.open(there, read_only=True) as store:
        assert len(list(store.session_records(KEY))) == 3
    filled(path, 1)
    assert move_aside(path, NOW).name == "desk.db.damaged-20270115T080000Z-2"


def test_a_disk_that_breaks_one_after_another_is_not_filled_with_them(tmp_path: Path) -> None:
    for turn in range(12):
        path = filled(tmp_path / "desk.db", 1)
        newest = move_aside(path, UtcNs(NOW + turn * 60 * NS_PER_S))
    left = sorted(tmp_path.glob("*damaged*"))
    assert newest in left
    assert len([p for p in left if p.suffix]) <= 3 * MOST_ASIDE


def test_what_cannot_be_moved_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = filled(tmp_path / "desk.db", 1)

    def refuse(self: Path, target: object) -> Path:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "rename", refuse)
    with pytest.raises(StoreError, match="cannot be moved aside \\(Permission denied\\); move it away"):
        move_aside(path, NOW)
