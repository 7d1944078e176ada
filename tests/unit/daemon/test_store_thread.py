"""The store's thread writes beside the loop, holds what the disk refuses, and outlives the store's file."""

import asyncio
import contextlib
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from whichhop.daemon.store_thread import StoreThread
from whichhop.errors import StoreError, StoreFullError
from whichhop.model import Columns, Fate, Method, Reading, Record, Sample, SessionKey
from whichhop.model.home import Limits
from whichhop.model.transfer import Lease
from whichhop.model.units import NS_PER_MINUTE
from whichhop.net.clock import SystemClock
from whichhop.store.store import Store

KEY = SessionKey(agent="desk", target="attic", method=Method.STAMP)
LEASE = Lease(number="a", who="desk to attic", day="2026-03-01", until_ns=5, octets=100)


def record(minute: int) -> Record:
    sample = Sample(sent_ns=minute * NS_PER_MINUTE, fate=Fate.ANSWERED, rtt_ns=5_000_000)
    return Record(session=KEY, minute=minute, samples=Columns.of([sample]))


def reading(value: float) -> Reading:
    return Reading(at_ns=NS_PER_MINUTE, agent="desk", name="steal_ratio", value=value)


def minutes(path: Path) -> list[int]:
    with Store.open(path, read_only=True) as store:
        assert all(not report.trouble for report in store.verify())
        return [r.minute for r in store.session_records(KEY)]


class Used:
    """A store's thread in use, and what it told."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "desk.db"
        self.trouble: list[str] = []
        self.anew: list[str] = []

    def run(self, *acts: Callable[[StoreThread], object]) -> "Used":
        """Do one thing after another, each when what was asked before is done."""

        async def go() -> None:
            thread = StoreThread(
                self.path, Limits(), SystemClock(), trouble=self.trouble.append, anew=self.anew.append
            )
            try:
                for act in acts:
                    done = act(thread)
                    if asyncio.iscoroutine(done):
                        await done
                    await asyncio.get_running_loop().run_in_executor(thread._thread, lambda: None)
            finally:
                thread.close()

        asyncio.run(go())
        return self


def keep(minute: int) -> Callable[[StoreThread], None]:
    return lambda thread: thread.keep([record(minute)], [])


def test_a_value_that_is_no_number_costs_no_record(tmp_path: Path) -> None:
    used = Used(tmp_path).run(lambda t: t.keep([record(1)], [reading(float("nan")), reading(0.25)]))
    assert minutes(used.path) == [1]
    with Store.open(used.path, read_only=True) as store:
        assert [r.value for r in store.readings()] == [0.25]


def test_a_time_that_cannot_be_stored_costs_nothing_else(tmp_path: Path) -> None:
    far = Reading(at_ns=10**30, agent="desk", name="steal_ratio", value=1.0)
    used = Used(tmp_path).run(lambda t: t.keep([record(1), record(2)], [far, reading(0.5)]), keep(3))
    assert minutes(used.path) == [1, 2, 3]
    with Store.open(used.path, read_only=True) as store:
        assert [r.value for r in store.readings()] == [0.5]


def test_what_the_disk_refuses_is_kept_for_the_next_minute_and_told_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, refuse = Store.append_all, [True]

    def append_all(self: Store, records: list[Record], readings: list[Reading] = []) -> int:  # noqa: B006
        if refuse[0]:
            raise StoreError("the disk is full")
        return real(self, records, readings)

    monkeypatch.setattr(Store, "append_all", append_all)
    used = Used(tmp_path).run(keep(1), keep(2), lambda _: refuse.__setitem__(0, False), keep(3))
    assert used.trouble == ["the disk is full", ""]
    assert minutes(used.path) == [1, 2, 3]


def test_a_disk_that_is_full_at_the_start_is_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, refuse = Store.make, [True]

    def make(path: Path) -> Store:
        if refuse[0]:
            raise StoreFullError("the disk is full")
        return real(path)

    monkeypatch.setattr(Store, "make", make)
    used = Used(tmp_path).run(keep(1), lambda _: refuse.__setitem__(0, False), keep(2))
    assert used.trouble == ["the disk is full", ""]
    assert minutes(used.path) == [1, 2]


def test_a_file_that_is_no_store_is_refused_and_left_alone(tmp_path: Path) -> None:
    used = Used(tmp_path)
    used.path.write_text("groceries\n" * 300)
    with pytest.raises(StoreError, match="not a whichhop store"):
        used.run()
    assert used.path.read_text() == "groceries\n" * 300


def remove(thread: StoreThread) -> None:
    for part in ("", "-wal", "-shm"):
        with contextlib.suppress(FileNotFoundError):
            Path(f"{thread.path}{part}").unlink()


def test_a_store_removed_while_in_use_is_begun_anew_and_told(tmp_path: Path) -> None:
    used = Used(tmp_path).run(keep(1), remove, keep(2), keep(3))
    assert minutes(used.path) == [2, 3]
    assert len(used.anew) == 1
    assert "desk.db: was removed while in use" in used.anew[0]
    assert used.trouble == []


def test_its_whole_folder_removed_is_made_again(tmp_path: Path) -> None:
    folder = tmp_path / "state"
    used = Used(folder).run(keep(1), lambda _: shutil.rmtree(folder), keep(2))
    assert minutes(used.path) == [2]
    assert len(used.anew) == 1


def test_a_store_exchanged_for_an_older_copy_goes_on_in_that_one(tmp_path: Path) -> None:
    with Store.open(tmp_path / "copy.db") as copy:
        copy.append(record(7))
    used = Used(tmp_path)

    def exchange(thread: StoreThread) -> None:
        remove(thread)
        (tmp_path / "copy.db").rename(thread.path)

    used.run(keep(8), exchange, keep(9))
    assert minutes(used.path) == [7, 9]
    assert "was exchanged" in used.anew[0]


def test_only_its_log_removed_loses_nothing(tmp_path: Path) -> None:
    used = Used(tmp_path).run(keep(1), lambda t: Path(f"{t.path}-wal").unlink(), keep(2))
    assert minutes(used.path) == [1, 2]
    assert used.anew == used.trouble == []


def test_a_store_cut_short_before_the_start_is_moved_aside_in_one_line(tmp_path: Path) -> None:
    used = Used(tmp_path).run(keep(1), keep(2))
    whole = used.path.read_bytes()
    used.path.write_bytes(whole[: len(whole) // 2])
    again = Used(tmp_path).run(keep(3))
    assert minutes(again.path) == [3]
    assert len(again.anew) == 1
    assert "\n" not in again.anew[0]
    assert "damaged" in again.anew[0]
    assert "a new store was begun" in again.anew[0]
    (there,) = tmp_path.glob("desk.db.damaged-*Z")
    assert there.read_bytes() == whole[: len(whole) // 2]


def test_a_store_that_proves_damaged_while_in_use_costs_no_minute_to_come(tmp_path: Path) -> None:
    def overwrite(thread: StoreThread) -> None:
        # Folded in and out of the cache, so that the next statement reads the file.
        assert thread._store is not None
        thread._store.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        size = thread.path.stat().st_size
        with thread.path.open("r+b") as file:
            file.seek(4096)
            file.write(b"\xa5" * (size - 4096))
        thread._store.db.execute("PRAGMA shrink_memory")

    used = Used(tmp_path).run(keep(1), overwrite, keep(2), keep(3))
    assert minutes(used.path) == [2, 3]
    assert len(used.anew) == 1
    assert len(list(tmp_path.glob("desk.db.damaged-*Z"))) == 1


def test_open_minutes_become_records_at_the_next_start(tmp_path: Path) -> None:
    used = Used(tmp_path).run(keep(1), lambda t: t.keep_draft([record(2)]))
    assert minutes(used.path) == [1]
    used.run()
    assert minutes(used.path) == [1, 2]


def test_leases_are_on_the_disk_and_a_store_begun_anew_shows_by_its_generation(tmp_path: Path) -> None:
    seen: list[object] = []

    async def lease(thread: StoreThread) -> None:
        await thread.put_leases([LEASE])
        seen.append((thread.generation, await thread.leases()))

    async def look(thread: StoreThread) -> None:
        leases = await thread.leases()
        seen.append((thread.generation, leases))

    Used(tmp_path).run(lease, remove, look)
    assert seen == [(0, [LEASE]), (1, [])]
