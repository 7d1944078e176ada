"""The one door to SQLite: opens the file, keeps its tables up to date, tells every trouble in one line."""

import os
import re
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from whichhop.errors import DataError, StoreDamagedError, StoreError, StoreFullError
from whichhop.model.units import NS_PER_S, UtcNs
from whichhop.printable import printable

APPLICATION_ID = 0x77686F70
"""Marks the file as ours (SQLite's application_id): the letters "whop"."""

# chain: one hash chain of records. `origin` is drawn when it begins, so that an agent whose store was begun
#   anew is not mistaken for its former self. `own` is 1 for chains that grow here, 0 for collected ones.
#   `head` is the link after record `last_seq`. `readings_seq`: how far its readings were collected.
# minute: one record, as long as its hour is young; `before` is the link it builds on.
# hour: a session's records of a past hour in one block; `seqs` names their places in the chain.
# gap: places a collected chain skips, since the other agent had dropped them before they were fetched.
# mark, look: notes of people, not measurements; no part of any chain, since they may be made weeks later
#   and taken back.
# draft: a session's minutes that are still open, as they stood a moment ago; made records after a kill.
# lease: who may transfer how much, on which day (model/transfer.py); no part of any chain either.
MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        """CREATE TABLE chain (
            id INTEGER PRIMARY KEY, agent TEXT NOT NULL, origin BLOB NOT NULL, own INTEGER NOT NULL,
            last_seq INTEGER NOT NULL, head BLOB NOT NULL, readings_seq INTEGER NOT NULL DEFAULT 0,
            UNIQUE (agent, origin))""",
        """CREATE TABLE session (
            id INTEGER PRIMARY KEY, agent TEXT NOT NULL, target TEXT NOT NULL, method TEXT NOT NULL,
            UNIQUE (agent, target, method))""",
        """CREATE TABLE minute (
            chain INTEGER NOT NULL REFERENCES chain, seq INTEGER NOT NULL,
            session INTEGER NOT NULL REFERENCES session, minute INTEGER NOT NULL, start_ns INTEGER NOT NULL,
            before BLOB NOT NULL, body BLOB NOT NULL, PRIMARY KEY (chain, seq)) WITHOUT ROWID""",
        "CREATE UNIQUE INDEX minute_once ON minute (session, minute, start_ns)",
        """CREATE TABLE hour (
            id INTEGER PRIMARY KEY, chain INTEGER NOT NULL REFERENCES chain,
            session INTEGER NOT NULL REFERENCES session, hour INTEGER NOT NULL,
            first_seq INTEGER NOT NULL, last_seq INTEGER NOT NULL, seqs BLOB NOT NULL,
            before BLOB NOT NULL, body BLOB NOT NULL)""",
        "CREATE INDEX hour_session ON hour (session, hour)",
        "CREATE INDEX hour_chain ON hour (chain, first_seq, last_seq)",
        """CREATE TABLE gap (
            chain INTEGER NOT NULL REFERENCES chain, after_seq INTEGER NOT NULL, next_seq INTEGER NOT NULL,
            before BLOB NOT NULL, PRIMARY KEY (chain, next_seq)) WITHOUT ROWID""",
        """CREATE TABLE gauge (
            id INTEGER PRIMARY KEY, agent TEXT NOT NULL, name TEXT NOT NULL, UNIQUE (agent, name))""",
        """CREATE TABLE reading (
            seq INTEGER PRIMARY KEY AUTOINCREMENT, gauge INTEGER NOT NULL REFERENCES gauge,
            at_ns INTEGER NOT NULL, value REAL NOT NULL)""",
        "CREATE UNIQUE INDEX reading_once ON reading (gauge, at_ns)",
    ),
    # 2: what people changed, and how often they looked at what it did (change/before_after.py).
    (
        """CREATE TABLE mark (
            id INTEGER PRIMARY KEY AUTOINCREMENT, at_ns INTEGER NOT NULL, text TEXT NOT NULL,
            change TEXT NOT NULL, expected TEXT NOT NULL, UNIQUE (at_ns, text))""",
        """CREATE TABLE look (
            of_ns INTEGER NOT NULL, at_ns INTEGER NOT NULL, from_ns INTEGER NOT NULL, to_ns INTEGER NOT NULL,
            PRIMARY KEY (of_ns, from_ns, to_ns)) WITHOUT ROWID""",
    ),
    # 3: what a kill must not cost: the minutes still open, and the day's budget of transfers.
    (
        "CREATE TABLE draft (id INTEGER PRIMARY KEY, body BLOB NOT NULL)",
        """CREATE TABLE lease (
            number TEXT PRIMARY KEY, who TEXT NOT NULL, day TEXT NOT NULL, until_ns INTEGER NOT NULL,
            octets INTEGER NOT NULL, used INTEGER) WITHOUT ROWID""",
    ),
    # 4: each agent's own word on its chain, and on the copies of others' chains; the newest is enough.
    (
        """CREATE TABLE signed (
            chain INTEGER PRIMARY KEY REFERENCES chain, seq INTEGER NOT NULL, head BLOB NOT NULL,
            at_ns INTEGER NOT NULL, public_key BLOB NOT NULL, signature BLOB NOT NULL)""",
    ),
    # 5: calls to the provider, as somebody wrote them down.
    (
        """CREATE TABLE call_note (
            id INTEGER PRIMARY KEY AUTOINCREMENT, at_ns INTEGER NOT NULL, text TEXT NOT NULL,
            spoke_to TEXT NOT NULL, ticket TEXT NOT NULL, promised TEXT NOT NULL, UNIQUE (at_ns, text))""",
    ),
    # 6: what the comparer found, for weeks: faults; judged minutes (a bit each) and the worst modem levels by
    # the hour since 1970.
    (
        """CREATE TABLE past_fault (
            start_ns INTEGER NOT NULL, elements TEXT NOT NULL, end_ns INTEGER NOT NULL, cause TEXT NOT NULL,
            PRIMARY KEY (start_ns, elements)) WITHOUT ROWID""",
        "CREATE TABLE judged_hour (hour INTEGER PRIMARY KEY, minutes INTEGER NOT NULL)",
        """CREATE TABLE level_hour (
            hour INTEGER NOT NULL, node TEXT NOT NULL, down_low REAL, down_high REAL, snr_low REAL,
            up_high REAL, lost INTEGER, PRIMARY KEY (hour, node)) WITHOUT ROWID""",
    ),
    # 7: what is written each minute lies together: an SD card counts pages, not octets. An index that begins
    # with the gauge touched a page a gauge; rows in the order of a key are split where a plain table appends.
    (
        "DROP INDEX reading_once",
        "CREATE UNIQUE INDEX reading_once ON reading (at_ns, gauge)",
        """CREATE TABLE young (
            chain INTEGER NOT NULL REFERENCES chain, seq INTEGER NOT NULL,
            session INTEGER NOT NULL REFERENCES session, minute INTEGER NOT NULL, start_ns INTEGER NOT NULL,
            before BLOB NOT NULL, body BLOB NOT NULL, PRIMARY KEY (chain, seq))""",
        "INSERT INTO young SELECT * FROM minute ORDER BY chain, seq",
        "DROP TABLE minute",
        "ALTER TABLE young RENAME TO minute",
        "CREATE UNIQUE INDEX minute_once ON minute (session, minute, start_ns)",
    ),
)

Value = int | float | str | bytes | None
Row = tuple[Any, ...]

_BUSY_MS = 5_000


# What SQLite's result code means here, and what to do about it.
_REMEDIES = {
    sqlite3.SQLITE_FULL: "the disk is full; free some space or lower the store's size limit",
    sqlite3.SQLITE_NOTADB: "not a whichhop store; name another file or move this one away",
    sqlite3.SQLITE_CORRUPT: "the store is damaged; move it away, whichhop run then begins a new one",
    sqlite3.SQLITE_READONLY: (
        "the store may not be written; check its owner, its permissions, and that its disk may be written"
    ),
    sqlite3.SQLITE_PERM: "the store may not be opened; check its owner and permissions",
    sqlite3.SQLITE_BUSY: "another program holds the store locked; stop it or try again",
    sqlite3.SQLITE_LOCKED: "another program holds the store locked; stop it or try again",
    sqlite3.SQLITE_CANTOPEN: "cannot be opened; check that its folder exists and may be written",
    sqlite3.SQLITE_IOERR: "the disk gave an error; check the disk and its free space",
}


_NEVER_OURS = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_CONSTRAINT, sqlite3.SQLITE_MISMATCH)
"""A sound file never gives these: what we write keeps the tables' own rules."""
_LACKS = re.compile("no such (table|column|index)|has no column|malformed|[Cc]ould not decode")
"""What SQLite says of a file whose tables, or a text in them, are no longer what we made: a general error."""

PARTS = ("", "-wal", "-shm")
"""SQLite's files of one database, by what is added to its name."""
MOST_ASIDE = 3
"""A disk that breaks one store after another must not be filled with them: the oldest make room."""


def _trouble(path: Path, error: sqlite3.Error) -> StoreError:
    """The one line for what SQLite complained of, with the remedy."""
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF  # the low byte; the rest is detail
    if code in _NEVER_OURS or _LACKS.search(str(error)):
        return _damaged(path, printable(str(error)))
    return (StoreFullError if code == sqlite3.SQLITE_FULL else StoreError)(
        f"{path}: {_REMEDIES.get(code, 'the store refused; report this')} ({error})"
    )


def _damaged(path: Path, why: str) -> StoreDamagedError:
    return StoreDamagedError(f"{path}: {_REMEDIES[sqlite3.SQLITE_CORRUPT]} ({why})")


def _short_by(path: Path) -> int:
    """How many octets of the file are missing, by its own header; all of it where the header is zeroes.

    The header's page size is at 16, its page count at 28, which counts when the change counter at 24 equals
    the one at 92 (SQLite's "Database File Format", 1.3). A crash of a disk leaves files short, or full of
    zeroes; SQLite itself notices only when it comes to the place.
    """
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            head = file.read(100)
    except OSError:
        return 0  # it is missing, or opening it will say why not
    if head and not head.strip(b"\0"):
        return size
    if not head.startswith(b"SQLite format 3\0"):
        return 0
    if len(head) < 100:
        return 100 - len(head)
    page = int.from_bytes(head[16:18])
    pages = int.from_bytes(head[28:32]) if head[24:28] == head[92:96] else 0
    return max(0, pages * (65_536 if page == 1 else page) - size)


def may_write(path: Path) -> bool:
    """Whether we may write the file, and beside it, as its write-ahead log asks for."""
    return os.access(path if path.exists() else path.parent, os.W_OK) and os.access(path.parent, os.W_OK)


def _at_rest(path: Path) -> bool:
    """Whether nobody has it open and we may not write beside it: a read-only disk, another user's folder.

    SQLite then opens no file with a write-ahead log but as one that does not change.
    """
    beside = (path.with_name(path.name + part) for part in PARTS[1:])
    return not os.access(path.parent, os.W_OK) and not any(p.exists() for p in beside)


MUCH_FREE = 8
"""An eighth of the file, some ten days of the default 90."""


class Database:
    """A connection to one file; may be handed to another thread, one call at a time.

    migrations, application: the tables and the mark of the file, the store's unless given.
    """

    def __init__(
        self,
        path: Path,
        *,
        read_only: bool = False,
        migrations: Sequence[Sequence[str]] = MIGRATIONS,
        application: int = APPLICATION_ID,
    ) -> None:
        self.path = path
        self._migrations, self._application = migrations, application
        self._lock = threading.RLock()
        if path.is_dir():
            raise StoreError(f"{path}: is a folder; name a file in it, such as {path / 'whichhop.db'}")
        if read_only and not path.exists():
            raise StoreError(f"{path}: no such store; name the file that whichhop run writes")
        short, log = _short_by(path), Path(f"{path}-wal")
        # The write-ahead log may hold what the file lacks.
        unsure = bool(short) and log.exists() and log.stat().st_size > 0
        if short and not unsure:
            raise _damaged(path, f"{short} octets are missing")
        mode = "rwc" if not read_only else "ro&immutable=1" if _at_rest(path) else "ro"
        uri = f"{path.absolute().as_uri()}?mode={mode}"
        try:
            self._db = sqlite3.connect(
                uri, uri=True, isolation_level=None, check_same_thread=False, timeout=_BUSY_MS / 1000
            )
        except sqlite3.Error as error:
            raise _trouble(path, error) from error
        try:
            if unsure and (said := self.execute("PRAGMA quick_check(1)")) != [("ok",)]:
                raise _damaged(path, str(said[0][0]).replace("\n", " "))
            self._prepare(read_only)
        except BaseException:
            self._db.close()
            raise

    def _prepare(self, read_only: bool) -> None:
        known = len(self._migrations)
        version = self.number("PRAGMA user_version")
        application = self.number("PRAGMA application_id")
        tables = self.number("SELECT count(*) FROM sqlite_master")
        if tables and application != self._application:
            raise StoreError(f"{self.path}: a database of another program; name another file")
        if version > known:
            raise StoreError(
                f"{self.path}: written by a newer whichhop (store version {version}, this knows {known}); "
                "update whichhop or name another file"
            )
        if read_only:
            if not tables:
                raise StoreError(
                    f"{self.path}: holds nothing, its making was interrupted; do again what was to fill it"
                )
            if version < known:
                raise StoreError(
                    f"{self.path}: store version {version} is older than {known}; "
                    "start whichhop run once, which brings it up to date"
                )
            return
        if not tables:
            # Before the first table, or it has no effect: lets a shrinking store give pages back.
            self.execute("PRAGMA auto_vacuum = INCREMENTAL")
        self.execute("PRAGMA journal_mode = WAL")
        # A power cut too may cost a minute at most; one sync a minute is cheap.
        self.execute("PRAGMA synchronous = FULL")
        self.execute("PRAGMA foreign_keys = ON")
        self.execute("PRAGMA cache_size = -256")  # KiB: the daemon is to stay small
        for number, statements in enumerate(self._migrations[version:], version + 1):
            with self.transaction():
                for statement in statements:
                    self.execute(statement)
                self.execute(f"PRAGMA application_id = {self._application}")
                self.execute(f"PRAGMA user_version = {number}")

    def execute(self, statement: str, values: Sequence[Value] = ()) -> list[Row]:
        """Run one statement; all its rows."""
        with self._lock:
            try:
                return self._db.execute(statement, values).fetchall()
            except sqlite3.Error as error:
                raise _trouble(self.path, error) from error
            except UnicodeDecodeError as error:  # SQLite's own message quotes what stands in a damaged file
                raise _damaged(self.path, f"octets that are no text: {error}") from error
            except (OverflowError, UnicodeEncodeError) as error:
                # a number past 64 bits, a lone surrogate: readers refuse both, this is for what they missed
                raise DataError(
                    f"{self.path}: a value that no store can hold ({error}); not stored"
                ) from error

    def stream(self, statement: str, values: Sequence[Value] = ()) -> Iterator[Row]:
        """Run one statement; its rows one by one, for results too large to hold."""
        try:
            yield from self._db.execute(statement, values)
        except sqlite3.Error as error:
            raise _trouble(self.path, error) from error
        except UnicodeDecodeError as error:
            raise _damaged(self.path, f"octets that are no text: {error}") from error

    def number(self, statement: str, values: Sequence[Value] = ()) -> int:
        """The single number that a statement gives; 0 where it gives none."""
        rows = self.execute(statement, values)
        return int(rows[0][0] or 0) if rows else 0

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All or nothing; one inside another belongs to the outer one."""
        with self._lock:
            if self._db.in_transaction:
                yield
                return
            self.execute("BEGIN IMMEDIATE")
            try:
                yield
                self.execute("COMMIT")
            except BaseException:
                # A full disk may have rolled back already.
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise

    def give_back(self) -> None:
        """Make the file as small as what it holds, once much of it is free; not within a transaction.

        What each hour frees, the next one fills: moving pages to the file's begin for it wears a card out.
        """
        with self._lock:
            free = self.number("PRAGMA freelist_count")
            if self._db.in_transaction or free * MUCH_FREE < self.number("PRAGMA page_count"):
                return
            try:
                # Each step frees one page, and only a script takes all the steps of a statement without rows.
                self._db.executescript("PRAGMA incremental_vacuum")
            except sqlite3.Error as error:
                raise _trouble(self.path, error) from error

    def close(self) -> None:
        """Let go of the file; the write-ahead log is folded in."""
        with self._lock:
            self._db.close()


def move_aside(path: Path, now_ns: UtcNs) -> Path:
    """Rename a store with its parts, so that it can still be opened there; where it is now.

    StoreError when it cannot be moved.
    """
    when = datetime.fromtimestamp(now_ns // NS_PER_S, UTC)
    there = path.with_name(f"{path.name}.damaged-{when:%Y%m%dT%H%M%SZ}")
    number = 1
    while there.exists():
        number += 1
        there = path.with_name(f"{path.name}.damaged-{when:%Y%m%dT%H%M%SZ}-{number}")
    try:
        for part in PARTS:
            here = Path(f"{path}{part}")
            if here.exists():
                here.rename(f"{there}{part}")
        for old in sorted(path.parent.glob(f"{path.name}.damaged-*Z*"))[: -MOST_ASIDE * len(PARTS)]:
            old.unlink()
    except OSError as trouble:
        raise StoreError(
            f"{path}: is damaged and cannot be moved aside ({trouble.strerror or trouble}); move it away"
        ) from trouble
    return there
