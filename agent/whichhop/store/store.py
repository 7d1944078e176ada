"""The store as the daemon, the server and the comparer see it: one file, opened once, closed once."""

import os
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from types import TracebackType
from typing import Self

from whichhop.errors import StoreError
from whichhop.model import Reading, Record
from whichhop.model.home import Limits
from whichhop.model.units import NS_PER_MINUTE
from whichhop.store import chain as chain_walk
from whichhop.store import keep, past_faults, write
from whichhop.store.chain import ChainReport
from whichhop.store.db import Database, may_write
from whichhop.store.read import Reads
from whichhop.store.small_tables import SmallTables
from whichhop.store.write import Linked, Writer

MINUTES_A_DAY = 24 * 60


def _new_origin() -> bytes:
    return os.urandom(16)


class Store(Reads, SmallTables):
    """Records and readings of one agent, and those collected from others.

    Every method raises StoreError (one line with the remedy) when the file fails; StoreFullError, a child,
    when the disk is full: then nothing of that call was stored and a later call may succeed.
    """

    def __init__(self, db: Database, origin: Callable[[], bytes]) -> None:
        self.db = db
        self._writer = Writer(db, origin)

    @classmethod
    def open(
        cls, path: Path | str, *, read_only: bool = False, origin: Callable[[], bytes] = _new_origin
    ) -> "Store":
        """Open the file, made and brought up to date as needed. `origin`: 16 random bytes for a new chain."""
        return cls(Database(Path(path), read_only=read_only), origin)

    @classmethod
    def kept(cls, path: Path) -> "Store":
        """Open what is there to read it, brought up to date where it may be written."""
        return cls.open(path, read_only=not may_write(path))

    @classmethod
    def make(cls, path: Path) -> "Store":
        """Open the file, its folder made when missing."""
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as trouble:
            raise StoreError(
                f"{path}: its folder cannot be made ({trouble.strerror}); name another file with --store"
            ) from trouble
        return cls.open(path)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self.db.close()

    def transaction(self) -> AbstractContextManager[None]:
        """Several calls as one: all or nothing. Call `forget` when it failed."""
        return self.db.transaction()

    # -- writing

    def append(self, record: Record) -> bool:
        """Add one record, on disk when this returns; False when it was there already."""
        return self.append_all((record,)) == 1

    def append_all(self, records: Iterable[Record], readings: Iterable[Reading] = ()) -> int:
        """Add a minute's records and readings in one transaction; how many were new."""
        return self._writer.append_all(records, readings)

    def forget(self) -> None:
        """Drop remembered names; for whoever rolls a transaction of its own back."""
        self._writer.forget()

    def adopt(
        self,
        agent: str,
        origin: bytes,
        records: Iterable[Linked],
        readings: Iterable[tuple[int, Reading]] = (),
    ) -> int:
        """Add what another agent handed over, in one transaction; how many were new. See store/collect.py."""
        try:
            with self.db.transaction():
                number = self._writer.collected_chain(agent, origin)
                new = sum([self._writer.adopt(number, one) for one in records])
                for seq, reading in readings:
                    new += self._writer.adopt_reading(reading)
                    self.db.execute("UPDATE chain SET readings_seq = ? WHERE id = ?", (seq, number))
                return new
        except BaseException:
            self._writer.forget()
            raise

    # -- chains

    def verify(self) -> list[ChainReport]:
        """Walk every chain from its first kept record to its head."""
        return [chain_walk.verify(self.db, number) for number, _ in self._chains()]

    # -- what a kill must not cost

    def put_draft(self, records: Sequence[Record]) -> None:
        """Keep the agent's open minutes as they stand, in place of what was kept before."""
        write.put_draft(self.db, records)

    def take_drafts(self) -> int:
        """Make records of the open minutes that a killed agent left; how many."""
        self._writer.forget()
        return write.take_drafts(self.db, self._writer)

    # -- keeping

    def pack_hours(self, now_minute: int, most: int | None = None) -> int:
        """Pack past hours into blocks, at most `most` of them; how many were made."""
        self._writer.forget()
        return keep.pack_hours(self.db, now_minute, most)

    def drop_before(self, from_minute: int, now_minute: int = keep.FOREVER) -> int:
        """Retention by age: drop what is older; how many rows went."""
        self._writer.forget()
        return keep.drop_before(self.db, from_minute, now_minute)

    def drop_to_size(self, limit_bytes: int, now_minute: int = keep.FOREVER) -> int:
        """Retention by size: drop the oldest hours until the content fits; how many rows went."""
        self._writer.forget()
        return keep.drop_to_size(self.db, limit_bytes, now_minute)

    def keep_within(self, limits: Limits, now_minute: int) -> None:
        """Pack past hours, and drop what is too old or too much for the home."""
        self.pack_hours(now_minute)
        self.drop_before(now_minute - limits.keep_days * MINUTES_A_DAY, now_minute)
        self.drop_to_size(limits.store_bytes, now_minute)
        # By age alone: they are small, and they tell of days whose records had to go.
        oldest = now_minute - limits.keep_days * MINUTES_A_DAY
        past_faults.drop_outside(self.db, oldest * NS_PER_MINUTE, now_minute * NS_PER_MINUTE)

    def used_bytes(self) -> int:
        """Bytes of the file that hold something."""
        return keep.used_bytes(self.db)
