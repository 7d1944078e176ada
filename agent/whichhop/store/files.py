"""Files in the interchange form, plain or compressed with gzip (a name ending in .gz)."""

import gzip
import zlib
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


def read_file(path: Path, notes: list[Note | Look | CallNote] | None = None) -> list[Record | Reading]:
    """All measurements of one file; DataError names file, line, key and remedy of the first bad line.

    notes: what people noted is put there.
    """
    heard: list[Note | Look | CallNote] = [] if notes is None else notes
    try:
        with gzip.open(path, "rb") if path.suffix == ".gz" else path.open("rb") as file:
            most = MOST_UNFOLDED * path.stat().st_size + _LEAST
            lines = lines_of(file, str(path), longest=4 * LONGEST_LINE, most=most)
            return list(read_lines(lines, str(path), heard.append))
    except (OSError, EOFError, zlib.error) as trouble:
        raise DataError(f"{path}: cannot be read ({trouble}); check the file") from trouble


def notes_in(folder: Path) -> list[Note | Look | CallNote]:
    """What people noted, of all files in a folder."""
    notes: list[Note | Look | CallNote] = []
    for file in sorted(folder.glob("*.jsonl*")):
        read_file(file, notes)
    return notes
