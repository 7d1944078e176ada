"""Files in the interchange form, plain or compressed with gzip (a name ending in .gz)."""

import gzip
from pathlib import Path

from whichhop.errors import DataError
from whichhop.model import Reading, Record
from whichhop.model.mark import Look, Mark
from whichhop.store.interchange import read_lines


def read_file(path: Path, notes: list[Mark | Look] | None = None) -> list[Record | Reading]:
    """All measurements of one file; DataError names file, line, key and remedy of the first bad line.

    notes: what people noted is put there.
    """
    heard: list[Mark | Look] = [] if notes is None else notes
    try:
        if path.suffix == ".gz":
            with gzip.open(path, "rt", encoding="utf-8") as lines:
                return list(read_lines(lines, str(path), heard.append))
        with path.open(encoding="utf-8") as lines:
            return list(read_lines(lines, str(path), heard.append))
    except (OSError, EOFError) as trouble:
        raise DataError(f"{path}: cannot be read ({trouble}); check the file") from trouble
    except UnicodeDecodeError as trouble:
        raise DataError(f"{path}: not UTF-8 text; is this a records file?") from trouble


def notes_in(folder: Path) -> list[Mark | Look]:
    """What people noted, of all files in a folder."""
    notes: list[Mark | Look] = []
    for file in sorted(folder.glob("*.jsonl*")):
        read_file(file, notes)
    return notes
