"""Files in the interchange form, plain or compressed with gzip, whatever their names."""

import codecs
import gzip
import re
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from io import BufferedReader
from pathlib import Path

from whichhop.errors import DataError
from whichhop.model import Reading, Record
from whichhop.model.note import CallNote, Look, Note
from whichhop.outside import lines_of
from whichhop.store.interchange import read_lines
from whichhop.store.json_line import LONGEST_LINE

MOST_UNFOLDED = 100
"""Octets of text for each of a compressed file: lines of measurements shrink to a tenth or a twentieth, what
is made to fill a memory to a thousandth."""
_LEAST = 1 << 20
_STORE = b"SQLite format 3\0"
"""How every store begins (SQLite's "Database File Format", 1.2)."""
_REPORT = re.compile(rb"%PDF-|(?i:\s*<!doctype html)")
_HEAD = 64
"""Octets that tell text from other files."""


def _is_text(head: bytes) -> bool:
    """Whether a file may be UTF-8 by its first octets, the last of which may be half a letter."""
    return b"\0" not in head and "\ufffd" not in head.decode("utf-8", "replace")[:-1]


def _what_it_is(head: bytes) -> str:
    """What was given in place of a records file, and what to do."""
    if _REPORT.match(head):
        return "is a report (or another page or PDF) and no records file; give the records it was made from"
    if head.startswith(_STORE):
        return "is a store and no records file; write one of it: whichhop records export --store FILE"
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "UTF-16 text, not UTF-8; save it in the encoding UTF-8"
    if b"\0" not in head:
        return "not UTF-8 text; save it in the encoding UTF-8"
    return "no text; is this a records file? `whichhop records export` writes one"


@contextmanager
def measured_lines(file: BufferedReader, place: str, most: int) -> Iterator[Iterator[str]]:
    """The lines of an open file, unpacked where it begins as gzip does, whatever its name; DataError."""
    try:
        head = file.peek(_HEAD)[:_HEAD]
        packed = head.startswith(b"\x1f\x8b")  # RFC 1952, 2.3.1
        if not packed and (not _is_text(head) or _REPORT.match(head)):
            raise DataError(f"{place}: {_what_it_is(head)}")
        lines = gzip.GzipFile(fileobj=file) if packed else file
        yield lines_of(lines, place, longest=4 * LONGEST_LINE, most=most)
    except (EOFError, zlib.error, gzip.BadGzipFile) as trouble:
        raise DataError(f"{place}: its packing is damaged ({trouble}); copy it again") from trouble
    except OSError as trouble:
        raise DataError(f"{place}: cannot be read ({trouble.strerror}); check the file") from trouble


def read_file(path: Path, notes: list[Note | Look | CallNote] | None = None) -> list[Record | Reading]:
    """All measurements of one file; DataError names file, line, key and remedy of the first bad line.

    notes: what people noted is put there.
    """
    heard: list[Note | Look | CallNote] = [] if notes is None else notes
    with opened_lines(path) as lines:
        return list(read_lines(lines, str(path), heard.append))


@contextmanager
def opened_lines(path: Path) -> Iterator[Iterator[str]]:
    """As `measured_lines`, of a path; no file unfolds to more than MOST_UNFOLDED times its size."""
    try:
        size = path.stat().st_size
        file = path.open("rb")
    except (OSError, ValueError) as trouble:
        reason = trouble.strerror if isinstance(trouble, OSError) else "no name of a file"
        raise DataError(f"{path}: cannot be read ({reason}); check the file") from trouble
    with file, measured_lines(file, str(path), MOST_UNFOLDED * size + _LEAST) as lines:
        yield lines


def files_in(place: Path) -> list[Path]:
    """The files of a folder called *.jsonl*, or the one file that is named; DataError without any."""
    try:
        if place.is_file():
            return [place]
        files = sorted(place.glob("*.jsonl*")) if place.is_dir() else []
    except (OSError, ValueError) as trouble:
        reason = trouble.strerror if isinstance(trouble, OSError) else "no name of a file"
        raise DataError(f"--records {place}: cannot be read ({reason}); name a folder or a file") from trouble
    if not files:
        what = "no *.jsonl file there" if place.is_dir() else "no such file or folder"
        raise DataError(f"--records {place}: {what}; write one with `whichhop records export`")
    return files


def notes_in(place: Path) -> list[Note | Look | CallNote]:
    """What people noted, of all files in a folder or of one."""
    notes: list[Note | Look | CallNote] = []
    for file in files_in(place):
        read_file(file, notes)
    return notes
