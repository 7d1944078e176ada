"""What waits to be written to a fleet's server: a queue on disk with an end, which a kill does not empty."""

import zlib
from collections.abc import Sequence
from pathlib import Path

import msgspec

from whichhop.errors import StoreDamagedError
from whichhop.model.fleet import Series
from whichhop.store.db import Database

_APPLICATION_ID = 0x77686F62
"""Marks the file as ours: the letters "whob"."""
_TABLES = (
    (
        "CREATE TABLE frame (id INTEGER PRIMARY KEY AUTOINCREMENT, samples INTEGER NOT NULL,"
        " octets BLOB NOT NULL)",
        "CREATE TABLE dropped (samples INTEGER NOT NULL)",
        "INSERT INTO dropped VALUES (0)",
    ),
)
_ROW_OCTETS = 24
"""What a row costs beside its octets, about."""
_SPARE = 0.1
"""Of the limit is made free at once, so that a full queue is not trimmed at every turn."""


class Frame(msgspec.Struct, frozen=True, kw_only=True):
    """What one turn of the agent put in. number: rises, and is never used twice."""

    number: int
    series: tuple[Series, ...]

    @property
    def samples(self) -> int:
        """Values in it."""
        return sum(len(one.points) for one in self.series)


class Outbox:
    """The queue. One process puts in and another takes out; each has an Outbox of its own on the same file.

    most_octets: what the frames may come to; the oldest go first, and are counted.
    """

    def __init__(self, path: Path, most_octets: int) -> None:
        self._db = Database(path, migrations=_TABLES, application=_APPLICATION_ID)
        # A kill loses nothing; a power cut the newest seconds, which spares a small box's flash memory.
        self._db.execute("PRAGMA synchronous = NORMAL")
        self.most_octets = most_octets
        self._octets = self._counted()

    def _counted(self) -> int:
        return self._db.number("SELECT coalesce(sum(length(octets) + ?), 0) FROM frame", (_ROW_OCTETS,))

    def put(self, series: Sequence[Series]) -> int:
        """Queue a frame; how many values the oldest frames had that went for want of room."""
        octets = zlib.compress(msgspec.msgpack.encode(list(series)), 6)
        samples = sum(len(one.points) for one in series)
        with self._db.transaction():
            self._db.execute("INSERT INTO frame (samples, octets) VALUES (?, ?)", (samples, octets))
            self._octets += len(octets) + _ROW_OCTETS
            return self._trim() if self._octets > self.most_octets else 0

    def _trim(self) -> int:
        self._octets = self._counted()  # the other process has taken out since
        gone, last, free = 0, 0, 0
        if self._octets <= self.most_octets:
            return 0
        wanted = self._octets - round(self.most_octets * (1 - _SPARE))
        for number, samples, octets in self._db.execute(
            "SELECT id, samples, length(octets) FROM frame ORDER BY id"
        ):
            if free >= wanted:
                break
            gone, last, free = gone + samples, number, free + octets + _ROW_OCTETS
        self._db.execute("DELETE FROM frame WHERE id <= ?", (last,))
        self._db.execute("UPDATE dropped SET samples = samples + ?", (gone,))
        self._octets -= free
        return gone

    def oldest(self, most_samples: int) -> list[Frame]:
        """The frames that come next, together about so many values, and at least one where one waits.

        What cannot be read, after a disk's fault, is passed over and goes when the frames around it go.
        """
        out: list[Frame] = []
        taken = 0
        while taken < most_samples:
            after = out[-1].number if out else 0
            rows = self._db.execute(
                "SELECT id, octets FROM frame WHERE id > ? ORDER BY id LIMIT 64", (after,)
            )
            for number, octets in rows:
                frame = Frame(number=number, series=_series_of(octets))
                taken += frame.samples
                out.append(frame)
                if taken >= most_samples:
                    break
            if len(rows) < 64:
                break
        return out

    def done(self, number: int) -> None:
        """Take out everything up to this frame."""
        self._db.execute("DELETE FROM frame WHERE id <= ?", (number,))

    def take_out(self, number: int) -> None:
        """Take out this frame alone."""
        self._db.execute("DELETE FROM frame WHERE id = ?", (number,))

    @property
    def waiting(self) -> int:
        """Values that wait."""
        return self._db.number("SELECT coalesce(sum(samples), 0) FROM frame")

    @property
    def dropped(self) -> int:
        """Values that went for want of room, ever."""
        return self._db.number("SELECT samples FROM dropped")

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()


def _series_of(octets: bytes) -> tuple[Series, ...]:
    try:
        return msgspec.msgpack.decode(zlib.decompress(octets), type=tuple[Series, ...])
    except (zlib.error, msgspec.MsgspecError):
        return ()


def opened(path: Path, most_octets: int) -> Outbox:
    """The queue at a path; a damaged file is begun anew, since records have all that it held."""
    try:
        return Outbox(path, most_octets)
    except StoreDamagedError:
        for file in (path, Path(f"{path}-wal"), Path(f"{path}-shm")):
            file.unlink(missing_ok=True)
        return Outbox(path, most_octets)
