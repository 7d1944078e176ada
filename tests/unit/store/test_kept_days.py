"""What is kept beside a store is given back whole or not at all, whatever becomes of its files."""

import os
import stat
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from whichhop.store.kept_days import MOST_KEYS, STALE_S, KeptDays, date_of

KEY = bytes(range(32))
BODY = bytes(range(256)) * 40


def key(number: int) -> bytes:
    return bytes([number]) * 32


@pytest.fixture
def store(tmp_path: Path) -> Path:
    path = tmp_path / "s.db"
    path.touch()
    path.chmod(0o640)
    return path


def test_what_was_put_is_got_under_its_key_alone(store: Path) -> None:
    with KeptDays.beside(store) as kept:
        assert kept.get("windows", "2026-03-01", KEY) is None
        assert kept.put("windows", "2026-03-01", KEY, BODY)
        assert kept.get("windows", "2026-03-01", KEY) == BODY
        assert kept.get("judged", "2026-03-01", KEY) is None
        # the name has only a part of the key: the whole of it is held against the file
        assert kept.get("windows", "2026-03-01", KEY[:-1] + b"x") is None
    with KeptDays.beside(store) as again:
        assert again.get("windows", "2026-03-01", KEY) == BODY


def test_any_octet_that_changes_and_any_end_that_is_missing_makes_it_nothing(store: Path) -> None:
    with KeptDays.beside(store) as kept:
        kept.put("windows", "2026-03-01", KEY, BODY)
        (path,) = kept.folder.iterdir()
        whole = path.read_bytes()
        for place in (0, 20, 50, 100, len(whole) - 1):
            changed = bytearray(whole)
            changed[place] ^= 1
            path.write_bytes(changed)
            assert kept.get("windows", "2026-03-01", KEY) is None
        for length in (0, 10, 79, 80, len(whole) - 1):
            path.write_bytes(whole[:length])
            assert kept.get("windows", "2026-03-01", KEY) is None
        kept.put("windows", "2026-03-01", KEY, BODY)
        assert kept.get("windows", "2026-03-01", KEY) == BODY


def test_files_may_be_read_by_whom_the_store_may(store: Path) -> None:
    with KeptDays.beside(store) as kept:
        kept.put("judged", "2026-03-01", KEY, BODY)
        (path,) = kept.folder.iterdir()
        assert stat.S_IMODE(path.stat().st_mode) == 0o640
        assert stat.S_IMODE(kept.folder.stat().st_mode) == 0o750
    store.chmod(0o600)
    with KeptDays.beside(store) as kept:
        assert stat.S_IMODE(kept.folder.stat().st_mode) == 0o700


def test_where_nothing_can_be_written_a_passing_folder_does(store: Path) -> None:
    Path(f"{store}.days").write_text("in the way")
    with KeptDays.beside(store) as kept:
        assert kept.put("judged", "2026-03-01", KEY, BODY)
        assert kept.get("judged", "2026-03-01", KEY) == BODY
        passing = kept.folder
    assert not passing.exists()
    assert Path(f"{store}.days").read_text() == "in the way"


def test_a_write_that_fails_leaves_nothing_and_is_no_error(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with KeptDays.beside(store) as kept:
        monkeypatch.setattr(Path, "replace", full)
        assert not kept.put("judged", "2026-03-01", KEY, BODY)
        assert list(kept.folder.iterdir()) == []


def test_a_process_killed_while_it_writes_leaves_what_was_there(store: Path) -> None:
    with KeptDays.beside(store) as kept:
        kept.put("judged", "2026-03-01", KEY, BODY)
        child = os.fork()
        if not child:  # dies between the writing and the renaming
            Path.replace = lambda *_: os._exit(9)  # type: ignore[assignment,method-assign]
            kept.put("judged", "2026-03-01", KEY, b"other")
            os._exit(0)
        assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 9
        assert kept.get("judged", "2026-03-01", KEY) == BODY
        (half,) = kept.folder.glob(".new-*")
        old = half.stat().st_mtime - STALE_S - 1
        os.utime(half, (old, old))
        kept.put("judged", "2026-03-02", KEY, BODY)
        assert not half.exists()


def test_two_who_write_the_same_at_once_leave_one_whole_file(store: Path) -> None:
    with KeptDays.beside(store) as kept, ThreadPoolExecutor(4) as pool:
        bodies = [bytes([n]) * 100_000 for n in range(24)]
        assert all(pool.map(lambda b: kept.put("judged", "2026-03-01", KEY, b), bodies))
        assert kept.get("judged", "2026-03-01", KEY) in bodies
        assert len(list(kept.folder.iterdir())) == 1


def test_of_a_day_the_newest_few_keys_stay(store: Path) -> None:
    with KeptDays.beside(store) as kept:
        for number in range(MOST_KEYS + 2):
            kept.put("judged", "2026-03-01", key(number), BODY)
            (path,) = kept.folder.glob(f"*.{key(number)[:8].hex()}")
            os.utime(path, (1_000 + number, 1_000 + number))
        there = [kept.get("judged", "2026-03-01", key(n)) is not None for n in range(MOST_KEYS + 2)]
        assert there == [False] * 2 + [True] * MOST_KEYS


def test_days_before_one_are_forgotten_and_nothing_else(store: Path) -> None:
    with KeptDays.beside(store) as kept:
        for day in ("2026-02-27", "2026-02-28", "2026-03-01"):
            kept.put("windows", day, KEY, BODY)
        (kept.folder / "notes.txt").write_text("mine")
        assert kept.drop_before("2026-03-01") == 2
        assert sorted(p.name[:10] for p in kept.folder.iterdir()) == ["2026-03-01", "notes.txt"]


def test_a_day_is_named_by_its_date() -> None:
    assert date_of(1_772_323_200 * 10**9) == "2026-03-01"
