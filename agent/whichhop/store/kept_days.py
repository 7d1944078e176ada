"""Keeps beside a store what its finished days came to: derived, so that it may be deleted at any time.

A file a day, kind and key in the folder STORE.days. The key is a digest of all that the content follows from;
a file of another key, a damaged or a foreign one is as good as none. What cannot be written is not kept.
"""

import hashlib
import os
import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, date, datetime
from pathlib import Path

from msgspec import Struct

from whichhop.model.units import NS_PER_S

_MAGIC = b"whichhop day 1\0\0"
_DIGEST = 32
_NEW = ".new-"
MOST_KEYS = 3
"""Files of one day and kind: spans that begin within it judge it each in its own way."""
STALE_S = 3600.0
"""What a killed process left half written goes after an hour."""


def date_of(day_ns: int) -> str:
    """A UTC day as it stands in names, which sort by time."""
    return f"{datetime.fromtimestamp(day_ns // NS_PER_S, UTC):%Y-%m-%d}"


class KeptDays(Struct, frozen=True):
    """The folder and the store whose permissions its files have."""

    folder: Path
    store: Path

    @classmethod
    def of(cls, store: Path) -> "KeptDays":
        """Those of a store, whether or not there are any yet."""
        return cls(Path(f"{store}.days"), store)

    @classmethod
    @contextmanager
    def beside(cls, store: Path) -> Iterator["KeptDays"]:
        """Those of a store; where nothing may be written there, a passing folder that is gone afterwards."""
        kept = cls.of(store)
        if kept._usable():
            yield kept
            return
        with cls.passing(store) as instead:
            yield instead

    @classmethod
    @contextmanager
    def passing(cls, store: Path) -> Iterator["KeptDays"]:
        """A folder that is gone afterwards, for whoever must not rely on what was worked out before."""
        with tempfile.TemporaryDirectory() as folder:
            yield cls(Path(folder), store)

    def get(self, kind: str, day: str, key: bytes) -> bytes | None:
        """What is kept under a key; None where that is nothing, or not what was written."""
        try:
            octets = self._path(kind, day, key).read_bytes()
        except OSError:
            return None
        head = len(_MAGIC) + 2 * _DIGEST
        body = octets[head:]
        good = octets[:head] == _MAGIC + key + hashlib.sha256(body).digest()
        return body if good else None

    def put(self, kind: str, day: str, key: bytes, body: bytes) -> bool:
        """Keep it, whole or not at all; whether it was kept."""
        path, new = self._path(kind, day, key), None
        try:
            number, name = tempfile.mkstemp(prefix=_NEW, dir=self.folder)
            new = Path(name)
            with os.fdopen(number, "wb") as file:
                file.write(_MAGIC + key + hashlib.sha256(body).digest())
                file.write(body)
            new.chmod(_mode(self.store))
            new.replace(path)
        except OSError:
            if new is not None:
                with suppress(OSError):
                    new.unlink(missing_ok=True)
            return False
        self._tidy(path)
        return True

    def drop_before(self, day: str) -> int:
        """Forget the days before one; how many files went."""
        gone = 0
        with suppress(OSError):
            for path in list(self.folder.iterdir()):
                if _is_day(path.name[:10]) and path.name[:10] < day:
                    path.unlink(missing_ok=True)
                    gone += 1
        return gone

    def _path(self, kind: str, day: str, key: bytes) -> Path:
        return self.folder / f"{day}.{kind}.{key[:8].hex()}"

    def _usable(self) -> bool:
        try:
            self.folder.mkdir(mode=0o700, exist_ok=True)
            mode = _mode(self.store)
            wanted = mode | (mode & 0o444) >> 2
            if stat.S_IMODE(self.folder.stat().st_mode) != wanted:
                self.folder.chmod(wanted)
        except OSError:
            return False
        return os.access(self.folder, os.R_OK | os.W_OK | os.X_OK)

    def _tidy(self, newest: Path) -> None:
        """Drop what the newest file takes the place of, and what was never finished; others may do so too."""
        with suppress(OSError):
            same = newest.name.rpartition(".")[0]
            for _, old in sorted(self._written(f"{same}.*"))[:-MOST_KEYS]:
                old.unlink(missing_ok=True)
            now_s = newest.stat().st_mtime
            for written_s, half in self._written(f"{_NEW}*"):
                if now_s - written_s > STALE_S:
                    half.unlink(missing_ok=True)

    def _written(self, pattern: str) -> Iterator[tuple[float, Path]]:
        """The files that are there, and when each was written, s since the epoch."""
        for path in self.folder.glob(pattern):
            with suppress(FileNotFoundError):
                yield path.stat().st_mtime, path


def _mode(store: Path) -> int:
    return stat.S_IMODE(store.stat().st_mode) & 0o666


def _is_day(text: str) -> bool:
    try:
        return bool(date.fromisoformat(text))
    except ValueError:
        return False
