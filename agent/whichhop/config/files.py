"""Small files beside the home file: read within bounds, written whole or not at all.

Whoever reads one while it is written has the old one or the new one.
"""

import contextlib
import errno
import os
import stat
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import BinaryIO

from whichhop.errors import WhichhopError

STORE_HEAD = b"SQLite format 3\0"
"""How every store begins (SQLite's "Database File Format", 1.2)."""


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


_PROBE_OCTETS = 64 * 1024
"""A home file of 40 agents with its key and lists has some 30 kB."""


def check_writable(path: Path) -> None:
    """WriteError where a small file could not be written there, now; what is there stays as it is."""
    beside = _beside(path)
    try:
        _write_through(beside, "-" * _PROBE_OCTETS, 0o600)
    except OSError as why:
        raise _unwritten(path, why) from why
    finally:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)


def replace_file(path: Path, text: str) -> None:
    """New text in a file's place, with the old one's mode and owner; WriteError, and the old one stays."""
    replace_files([(path, text)])


def replace_files(files: Iterable[tuple[Path, str]]) -> None:
    """As `replace_file`, of files that belong together: all are on the disk before the first takes its place.

    A disk that fills up at the second one so leaves both old. What a link names is replaced, not the link.
    """
    ready: list[tuple[Path, Path]] = []
    path = Path()
    try:
        for path, text in files:
            target = Path(os.path.realpath(path))
            if target.is_dir():
                raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
            ready.append((_beside(target), target))
            _replacement(*ready[-1], text)
        for beside, path in ready:
            beside.replace(path)
    except OSError as why:
        raise _unwritten(path, why) from why
    finally:
        for beside, _ in ready:
            with contextlib.suppress(OSError):
                beside.unlink(missing_ok=True)


def _replacement(beside: Path, target: Path, text: str) -> None:
    old = target.stat() if target.exists() else None
    _write_through(beside, text, 0o600 if old is None else old.st_mode & 0o777)
    if old is not None:
        with contextlib.suppress(PermissionError):  # only root may give a file away
            os.chown(beside, old.st_uid, old.st_gid)


def _unwritten(path: Path, why: OSError) -> WriteError:
    return WriteError(f"{path}: cannot be written ({why.strerror}); {_writing_remedy(path, why)}")


def _writing_remedy(path: Path, why: OSError | ValueError) -> str:
    code = why.errno if isinstance(why, OSError) else None
    if code in (errno.ENOSPC, errno.EDQUOT):
        return "free some space, or name a file on another disk"
    if code == errno.EROFS:
        return "name a file on a disk that may be written"
    if code in (errno.EISDIR, errno.ENAMETOOLONG) or path.is_dir():
        return "name a file"
    return "check its folder's owner" if path.parent.is_dir() else f"make the folder {path.parent} first"


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


def refuse_over(outputs: Iterable[tuple[str, Path]], kept: Iterable[tuple[str, Path]]) -> None:
    """Refuse to write over what is worth keeping: a file of `kept`, any store, and one output over another.

    Both are names, as a person knows them (an option, "the home file"), with their paths. WriteError.
    """
    told: list[tuple[str, Path]] = []
    there = [(name, path) for name, path in kept if path.is_file()]
    for option, path in outputs:
        for name, other in (*told, *there):
            if _same(path, other):
                raise WriteError(f"{option} {path}: is {name} too; name another file")
        if _is_store(path):
            raise WriteError(f"{option} {path}: a store of records is there; name another file")
        told.append((option, path))


def _same(one: Path, other: Path) -> bool:
    if one.exists() and other.exists():
        return one.samefile(other) and one.is_file()  # two outputs may share a device or a pipe
    return one.absolute() == other.absolute()


def _is_store(path: Path) -> bool:
    try:
        if not path.is_file():
            return False
        with path.open("rb") as file:
            return file.read(len(STORE_HEAD)) == STORE_HEAD
    except (OSError, ValueError):
        return False  # writing it will say why not


@contextlib.contextmanager
def output_file(path: Path, mode: int | None = None) -> Iterator[BinaryIO]:
    """What a person asked to have written there: whole, or the file that was there stays; WriteError.

    mode: of the file from its first octet on; else an old file's, or what the user's umask leaves.
    """
    beside = _beside(path)
    try:
        old = path.stat() if path.exists() else None
        # A device, a pipe and a link are written through: a new file would take their place.
        if path.is_symlink() or (old is not None and not stat.S_ISREG(old.st_mode)):
            with path.open("wb") as file:
                yield file
            return
        if mode is None and old is not None:
            mode = stat.S_IMODE(old.st_mode)
        beside.unlink(missing_ok=True)
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL
        with os.fdopen(os.open(beside, flags, 0o666 if mode is None else 0o600), "wb") as file:
            if mode is not None:
                beside.chmod(mode)
            yield file
        if old is not None:
            with contextlib.suppress(PermissionError):
                os.chown(beside, old.st_uid, old.st_gid)
        beside.replace(path)
    except (OSError, ValueError) as why:
        reason = why.strerror if isinstance(why, OSError) else "no name of a file"
        raise WriteError(f"{path}: cannot be written ({reason}); {_writing_remedy(path, why)}") from why
    finally:
        with contextlib.suppress(OSError, ValueError):
            beside.unlink(missing_ok=True)


def write_output(path: Path, octets: bytes, mode: int | None = None) -> None:
    """As `output_file`, of octets that are at hand."""
    with output_file(path, mode) as file:
        file.write(octets)
