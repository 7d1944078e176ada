import os
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from support.need import need, need_program, need_root
from whichhop.errors import StoreDamagedError, StoreError
from whichhop.store.db import APPLICATION_ID, MIGRATIONS, Database
from whichhop.store.store import Store


def one_line(path: Path, **how: bool) -> str:
    with pytest.raises(StoreError) as caught:
        Database(path, **how)
    text = str(caught.value)
    assert "\n" not in text
    assert str(path) in text
    return text


def test_a_path_in_no_folder_is_told_with_the_remedy(tmp_path: Path) -> None:
    assert "check that its folder exists" in one_line(tmp_path / "no" / "s.db")


def test_a_folder_is_told_with_a_name_to_use(tmp_path: Path) -> None:
    assert "whichhop.db" in one_line(tmp_path)


def test_a_file_that_is_no_database_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("groceries\n" * 300)
    assert "not a whichhop store" in one_line(path)
    assert path.read_text() == "groceries\n" * 300


def test_a_database_of_another_program_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "other.db"
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE t (x)")
    other.commit()
    other.close()
    was = path.read_bytes()
    assert "another program" in one_line(path)
    assert path.read_bytes() == was


def test_a_store_of_a_later_version_asks_for_an_update(tmp_path: Path) -> None:
    path = tmp_path / "s.db"
    Database(path).close()
    later = sqlite3.connect(path)
    later.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    later.close()
    assert "newer whichhop" in one_line(path)


def test_a_missing_store_opened_for_reading_is_not_made(tmp_path: Path) -> None:
    assert "no such store" in one_line(tmp_path / "s.db", read_only=True)
    assert not (tmp_path / "s.db").exists()


def test_a_store_may_be_read_while_it_is_written(tmp_path: Path) -> None:
    writer = Database(tmp_path / "s.db")
    reader = Database(tmp_path / "s.db", read_only=True)
    with writer.transaction():
        writer.execute("INSERT INTO session (agent, target, method) VALUES ('desk', 'attic', 'echo')")
        assert reader.number("SELECT count(*) FROM session") == 0
    assert reader.number("SELECT count(*) FROM session") == 1
    with pytest.raises(StoreError, match="may not be written"):
        reader.execute("DELETE FROM session")
    reader.close()
    writer.close()


def test_a_damaged_file_is_told_with_the_remedy(tmp_path: Path) -> None:
    path = tmp_path / "s.db"
    Database(path).close()
    sound = path.read_bytes()
    page = int.from_bytes(
        sound[16:18]
    )  # this and the head's 100 octets: SQLite's "Database File Format", 1.3
    # The list of tables begins on the first page and goes on wherever their text stands.
    lists = [at for at in range(page, len(sound), page) if b"CREATE TABLE" in sound[at : at + page]]
    for begin, end in [(100, page), *((at, at + page) for at in lists)]:
        path.write_bytes(sound[:begin] + b"\xff" * (end - begin) + sound[end:])
        assert "damaged; move it away" in one_line(path)


@pytest.mark.parametrize(
    ("there", "instead"),
    [
        (b"CREATE TABLE chain", b"CREATE TABLE ch\x91in"),  # found by fuzzing: SQLite quotes it as it is
        (b"CREATE TABLE chain", b"CREATE TABLE chaos"),
        (b"CREATE TABLE chain", b"CREATE TUBLE chain"),
    ],
)
def test_tables_that_are_no_longer_ours_are_damage_and_not_a_riddle(
    there: bytes, instead: bytes, tmp_path: Path
) -> None:
    path = tmp_path / "s.db"
    Store.make(path).close()
    octets = path.read_bytes()
    assert octets.count(there) == 1
    path.write_bytes(octets.replace(there, instead))
    with pytest.raises(StoreDamagedError, match="damaged") as caught, Store.make(path) as store:
        store.verify()
    assert "\n" not in str(caught.value)


def test_a_migration_that_was_cut_short_leaves_the_version_before_it(tmp_path: Path) -> None:
    db = Database(tmp_path / "s.db")
    assert db.number("PRAGMA user_version") == len(MIGRATIONS)
    assert db.number("PRAGMA application_id") == APPLICATION_ID
    with pytest.raises(StoreError), db.transaction():  # noqa: PT012 - the last one fails
        db.execute("CREATE TABLE half (x)")
        db.execute("PRAGMA user_version = 77")
        db.execute("no such statement")
    assert db.number("PRAGMA user_version") == len(MIGRATIONS)
    assert db.number("SELECT count(*) FROM sqlite_master WHERE name = 'half'") == 0
    db.close()


def test_a_store_that_may_not_be_written_is_told_with_the_remedy(tmp_path: Path) -> None:
    # Root may write anything, so the child gives that up first.
    need(os.geteuid() == 0 or os.name == "posix", "a POSIX system")
    path = tmp_path / "s.db"
    Database(path).close()
    path.chmod(0o444)
    tmp_path.chmod(0o555)
    for folder in (tmp_path, *tmp_path.parents):
        if folder.stat().st_uid == os.geteuid() and folder.stat().st_mode & 0o005 == 0:
            folder.chmod(folder.stat().st_mode | 0o005)
    code = (
        "import os, pathlib\n"
        "from whichhop.store.store import Store\n"
        "if os.geteuid() == 0: os.setgid(65534); os.setuid(65534)\n"
        f"try: Store.open(pathlib.Path({str(path)!r}))\n"
        "except Exception as e: print(type(e).__name__, e)\n"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    tmp_path.chmod(0o755)
    assert said.startswith("StoreError ")
    assert "check its owner, its permissions, and that its disk may be written" in said


def test_a_store_whose_making_was_interrupted_is_told_for_what_it_is(tmp_path: Path) -> None:
    # Seen: SIGTERM to `records import` left a file without a table, called a store of version 0.
    (tmp_path / "s.db").touch()
    with pytest.raises(StoreError, match="holds nothing, its making was interrupted; do again what was to"):
        Database(tmp_path / "s.db", read_only=True)


def test_a_disk_that_is_really_full_is_told_and_measured_past(tmp_path: Path) -> None:
    # A small memory file system in a mount namespace of the child's own; gone with the child.
    unshare = shutil.which("unshare")
    need(unshare is not None, "the program unshare")
    code = (
        "import pathlib, random\n"
        "from support.records import lifelike\n"
        "from whichhop.errors import StoreFullError\n"
        "from whichhop.model import Method, SessionKey\n"
        "from whichhop.store.store import Store\n"
        "key = SessionKey(agent='desk', target='attic', method=Method.STAMP)\n"
        f"store = Store.open(pathlib.Path({str(tmp_path)!r}) / 's.db')\n"
        "stored = 0\n"
        "try:\n"
        "    for minute in range(10_000): stored += store.append(lifelike(random.Random(1), minute, key))\n"
        "except StoreFullError as full: print('full:', full)\n"
        "assert stored == len(list(store.session_records(key)))\n"
        "assert store.verify()[0].trouble == ''\n"
        "print('kept', stored)\n"
    )
    mount = f'mount -t tmpfs -o size=768k none {tmp_path} && exec {sys.executable} -c "$0"'
    how = [str(unshare), "-m"] if os.geteuid() == 0 else [str(unshare), "-rm"]
    done = subprocess.run(
        [*how, "sh", "-c", mount, code],
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
        check=False,
    )
    need("mount" not in done.stderr.split(":")[0] and "unshare" not in done.stderr[:10], "a mount namespace")
    assert "disk is full" in done.stdout, done.stdout + done.stderr
    assert int(done.stdout.split()[-1]) > 10


def test_a_store_on_a_read_only_disk_is_read(tmp_path: Path) -> None:
    # Seen: "cannot be opened; check that its folder exists and may be written" of a copy that was to be read.
    path = tmp_path / "s.db"
    Database(path).close()
    need_root()
    folder = str(tmp_path)
    script = f"""
        mount --bind {folder} {folder} && mount -o remount,ro,bind {folder} &&
        {sys.executable} -c 'from pathlib import Path; from whichhop.store.store import Store
with Store.kept(Path("{path}")) as store: print(store.span(9))'"""
    done = subprocess.run(
        [need_program("unshare"), "-m", "sh", "-ec", script],
        env=os.environ | {"PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "None\n", "")
