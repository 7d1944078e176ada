"""Small files beside the home file: read within bounds, written whole or not at all.

Whoever reads one while it is written has the old one or the new one.
"""

import contextlib
import os
from pathlib import Path

from whichhop.errors import WhichhopError


class WriteError(WhichhopError):
    """A file could not be written; the text names it and the remedy."""


class ReadError(WhichhopError):
    """A file that is there could not be read; the text names it and the remedy."""


def read_small(path: Path, most_octets: int) -> bytes | None:
    """Its octets, one more than most_octets where it has more, for the reader to refuse; None without one.

    ReadError when it is there and cannot be read.
    """
    try:
        with path.open("rb") as file:
            return file.read(most_octets + 1)
    except FileNotFoundError:
        return None
    except OSError as why:
        raise ReadError(f"{path}: cannot be read ({why.strerror}); check its owner and mode") from why


def _beside(path: Path) -> Path:
    """Where a file is written before it takes its place: in the same folder, so that it can."""
    return path.with_name(f".{path.name}.{os.getpid()}.new")


def _write_through(path: Path, text: str, mode: int) -> None:
    """A file anew, on the disk once this returns; what an earlier try left goes first."""
    path.unlink(missing_ok=True)
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode), "w", newline="") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())


def replace_file(path: Path, text: str) -> None:
    """New text in a file's place, with the old one's mode and owner; WriteError, and the old one stays."""
    beside = _beside(path)
    try:
        old = path.stat() if path.exists() else None
        mode = 0o600 if old is None else old.st_mode & 0o777
        _write_through(beside, text, mode)
        if old is not None:
            with contextlib.suppress(PermissionError):  # only root may give a file away
                os.chown(beside, old.st_uid, old.st_gid)
        beside.replace(path)
    except OSError as why:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)
        raise _unwritten(path, why) from why


def _unwritten(path: Path, why: OSError) -> WriteError:
    remedy = "check its folder's owner" if path.parent.is_dir() else f"make the folder {path.parent} first"
    return WriteError(f"{path}: cannot be written ({why.strerror}); {remedy}")


def write_new(path: Path, text: str, mode: int = 0o644) -> None:
    """A file that was not there; WriteError where one is (its cause FileExistsError) or it cannot be made.

    Whole or not at all: half a key, left by a power cut, would stop an agent for ever.
    """
    beside = _beside(path)
    try:
        _write_through(beside, text, mode)
        _take_name(beside, path)
    except FileExistsError as there:
        raise WriteError(f"{path}: is there already; name another file, or move that one away") from there
    except OSError as why:
        raise _unwritten(path, why) from why
    finally:
        with contextlib.suppress(OSError):
            beside.unlink()


def _take_name(beside: Path, path: Path) -> None:
    """Give a finished file its name; FileExistsError where it is taken."""
    try:
        path.hardlink_to(beside)
    except FileExistsError:
        raise
    except OSError:  # a file system without links, such as an SD card's FAT
        if path.exists() or path.is_symlink():
            raise FileExistsError from None
        beside.replace(path)
