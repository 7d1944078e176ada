"""Writes to the store in a thread of its own, so that a slow disk never makes a packet late."""

import asyncio
import contextlib
import math
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TypeVar

from whichhop.errors import DataError, StoreDamagedError, StoreError, StoreFullError
from whichhop.model import Reading, Record
from whichhop.model.chain_signature import ChainSignature
from whichhop.model.home import Limits
from whichhop.model.transfer import Lease
from whichhop.model.units import minute_of
from whichhop.net.clock import Clock
from whichhop.store.chain import Chain
from whichhop.store.db import move_aside
from whichhop.store.store import Store

MOST_HELD = 50_000
"""Records kept in memory while the disk refuses them: about a day of 30 sessions. Then the oldest go."""

T = TypeVar("T")
_File = tuple[int, int] | None


class StoreThread:
    """The store's only writer in this process.

    A store that fails stops storing, not measuring: what could not be written is tried again with the next
    minute, and `trouble` is told the reason once, and once more, with "", when it is over. A store that is
    damaged is moved aside, one that is gone is begun again; `anew` is told each time, in one line.
    Both are called in this thread.
    """

    def __init__(
        self,
        path: Path,
        limits: Limits,
        clock: Clock,
        *,
        trouble: Callable[[str], None],
        anew: Callable[[str], None],
    ) -> None:
        """Open the store, made when missing; what a killed agent left of open minutes becomes records.

        StoreError when it cannot be and a person must say what to do. A full disk, or one that the system
        has made read-only, may pass: then nothing is stored until it has.
        """
        self.path = path
        # Looked at for years: each Path made puts its parts into the interpreter's table of words.
        self._path, self._log_path = str(path), f"{path}-wal"
        self.limits = limits
        self.generation = 0
        """Grows with each store begun again: what must be on the disk is then to be written again."""
        self._clock, self._trouble, self._anew = clock, trouble, anew
        self._failing = False
        self._held: tuple[list[Record], list[Reading]] = ([], [])
        self._store: Store | None = None
        self._file: _File = None
        self._log: _File = None
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="store")
        self._thread.submit(self._open_first).result()

    # -- asked by the loop

    def keep(self, records: list[Record], readings: list[Reading]) -> None:
        """Have these written soon; returns at once."""
        asyncio.get_running_loop().run_in_executor(self._thread, self._write, records, readings)

    def keep_draft(self, records: Sequence[Record]) -> None:
        """Have the open minutes written soon as they stand, for the case of a kill."""
        asyncio.get_running_loop().run_in_executor(self._thread, self._draft, records)

    def tidy(self, now_ns: int) -> None:
        """Pack past hours and drop what is too old or too much, soon; about once an hour."""
        asyncio.get_running_loop().run_in_executor(self._thread, self._tidy, minute_of(now_ns))

    async def own_chain(self, agent: str) -> Chain | None:
        """Where the agent's own chain stands; StoreError when it cannot be read."""
        return await self._asked(lambda: self._with(lambda store: store.own_chain(agent)))

    async def put_signature(self, agent: str, origin: bytes, new: ChainSignature) -> None:
        """Keep the agent's signature under its own chain; StoreError when it is not kept."""
        await self._asked(lambda: self._with(lambda store: store.put_signature(agent, origin, new)))

    async def leases(self) -> list[Lease]:
        """The leases of transfers that still count; StoreError when they cannot be read."""
        return await self._asked(lambda: self._with(Store.leases))

    async def put_leases(self, kept: list[Lease]) -> None:
        """Keep leases, on the disk when this returns; StoreError when they are not."""
        await self._asked(lambda: self._with(lambda store: store.put_leases(kept)))

    async def _asked(self, act: Callable[[], T]) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._thread, act)

    def close(self) -> None:
        """Write what is left and let go of the file."""
        self._thread.submit(self._write, [], []).result()
        self._thread.submit(self._close).result()
        self._thread.shutdown()

    # -- done in the thread

    def _open_first(self) -> None:
        try:
            self._open()
        except StoreError as refused:
            if not isinstance(refused, StoreFullError) and not _read_only_disk(self.path):
                raise
            self._tell(str(refused))

    def _open(self) -> Store:
        try:
            self._store = self._made()
        except StoreDamagedError as damage:
            self._aside(damage)
            self._store = self._made()
        self._file, self._log = _identity(self._path), None
        return self._store

    def _made(self) -> Store:
        store = Store.make(self.path)
        try:
            store.take_drafts()
        except BaseException:
            store.close()
            raise
        return store

    def _aside(self, damage: StoreDamagedError) -> None:
        self._close()
        there = move_aside(self.path, self._clock.utc_ns())
        self.generation += 1
        self._anew(f"{damage}: moved to {there.name}, and a new store was begun")

    def _close(self) -> None:
        store, self._store = self._store, None
        if store is not None:
            with contextlib.suppress(StoreError):
                store.close()

    def _present(self) -> Store:
        """The open store, once it is sure that it is still the file of that name."""
        if self._store is not None:
            file, log = _identity(self._path), _identity(self._log_path)
            if file == self._file and (self._log is None or log == self._log):
                return self._store
            self._close()
            if file == self._file:  # only the log is gone: what it held was folded in on closing
                return self._open()
            self.generation += 1
            what = "was removed" if file is None else "was exchanged for another file"
            store = self._open()
            self._anew(f"{self.path}: {what} while in use; storing goes on in the file that is there now")
            return store
        return self._open()

    def _with(self, act: Callable[[Store], T]) -> T:
        """Do something with the store; once more with a new one when it proves damaged."""
        store = self._present()
        try:
            done = act(store)
        except StoreDamagedError as damage:
            self._aside(damage)
            done = act(self._open())
        if self._log is None:
            self._log = _identity(self._log_path)
        return done

    def _write(self, records: list[Record], readings: list[Reading]) -> None:
        # A value that is no number is no reading; it must not cost the minute's records.
        sound = [r for r in readings if math.isfinite(r.value)]
        held = (self._held[0] + records)[-MOST_HELD:], (self._held[1] + sound)[-MOST_HELD:]
        self._held = ([], [])
        if not any(held):
            return
        try:
            self._with(lambda store: _append(store, *held))
        except StoreError as trouble:
            self._held = held
            self._tell(str(trouble))
        else:
            self._tell("")

    def _draft(self, records: Sequence[Record]) -> None:
        # Not held when it is refused: the next one says more. Not told either: the next minute tells.
        with contextlib.suppress(StoreError):
            self._with(lambda store: store.put_draft(records))

    def _tidy(self, now_minute: int) -> None:
        try:
            self._with(lambda store: store.keep_within(self.limits, now_minute))
        except StoreError as trouble:
            self._tell(str(trouble))

    def _tell(self, text: str) -> None:
        if bool(text) != self._failing:
            self._failing = bool(text)
            self._trouble(text)


_UNFIT = (DataError, ValueError, ArithmeticError)


def _append(store: Store, records: list[Record], readings: list[Reading]) -> None:
    try:
        store.append_all(records, readings)
    except _UNFIT:
        # One that cannot be packed (a clock set to the far end of time) must not cost the others.
        for record in records:
            with contextlib.suppress(*_UNFIT):
                store.append_all([record])
        for reading in readings:
            with contextlib.suppress(*_UNFIT):
                store.append_all([], [reading])


def _identity(path: str) -> _File:
    try:
        found = os.stat(path)  # noqa: PTH116 - see StoreThread
    except OSError:
        return None
    return found.st_dev, found.st_ino


def _read_only_disk(path: Path) -> bool:
    folder = next((p for p in path.absolute().parents if p.exists()), Path("/"))
    try:
        return bool(os.statvfs(folder).f_flag & os.ST_RDONLY)
    except OSError:
        return False


def size_of(path: Path) -> int:
    """Octets of a store's files, write-ahead log included; the store's thread tells what ails them."""
    size = 0
    for file in (str(path), f"{path}-wal"):
        with contextlib.suppress(OSError):
            size += os.stat(file).st_size  # noqa: PTH116 - see StoreThread
    return size
