"""Writes to the store in a thread of its own, so that a slow disk never makes a packet late."""

import asyncio
import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from whichhop.errors import StoreError
from whichhop.model import Reading, Record
from whichhop.model.home import Limits
from whichhop.model.units import minute_of
from whichhop.store.store import Store

MINUTES_A_DAY = 24 * 60
MOST_HELD = 50_000
"""Records kept in memory while the disk refuses them: about a day of 30 sessions. Then the oldest go."""


class Keeper:
    """The store's only writer in this process.

    A store that fails stops storing, not measuring: what could not be written is tried again with the next
    minute, and `trouble` is told the reason once, and once more, with "", when it is over.
    """

    def __init__(self, path: Path, limits: Limits, trouble: Callable[[str], None]) -> None:
        """Open the store, made when missing; StoreError when it cannot be."""
        self.path = path
        self.limits = limits
        self._trouble = trouble
        self._failing = False
        self._held: tuple[list[Record], list[Reading]] = ([], [])
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="store")
        self._store = self._thread.submit(Store.make, path).result()

    def keep(self, records: list[Record], readings: list[Reading]) -> None:
        """Have these written soon; returns at once."""
        asyncio.get_running_loop().run_in_executor(self._thread, self._write, records, readings)

    def tidy(self, now_ns: int) -> None:
        """Pack past hours and drop what is too old or too much, soon; about once an hour."""
        asyncio.get_running_loop().run_in_executor(self._thread, self._tidy, minute_of(now_ns))

    def close(self) -> None:
        """Write what is left and let go of the file."""
        self._thread.submit(self._write, [], []).result()
        self._thread.submit(self._store.close).result()
        self._thread.shutdown()

    def _write(self, records: list[Record], readings: list[Reading]) -> None:
        # A value that is no number is no reading; it must not cost the minute's records.
        sound = [r for r in readings if math.isfinite(r.value)]
        held = (self._held[0] + records)[-MOST_HELD:], (self._held[1] + sound)[-MOST_HELD:]
        self._held = ([], [])
        try:
            self._store.append_all(*held)
        except StoreError as trouble:
            self._held = held
            self._told(str(trouble))
        else:
            self._told("")

    def _tidy(self, now_minute: int) -> None:
        try:
            self._store.pack_hours(now_minute)
            self._store.drop_before(now_minute - self.limits.keep_days * MINUTES_A_DAY)
            self._store.drop_to_size(self.limits.store_bytes)
        except StoreError as trouble:
            self._told(str(trouble))

    def _told(self, text: str) -> None:
        if bool(text) != self._failing:
            self._failing = bool(text)
            self._trouble(text)
