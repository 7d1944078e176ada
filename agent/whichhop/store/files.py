"""Files in the interchange form, plain or compressed with gzip (a name ending in .gz)."""

import gzip
from pathlib import Path

from whichhop.errors import DataError
from whichhop.model import Reading, Record
from whichhop.store.interchange import read_lines


def read_file(path: Path) -> list[Record | Reading]:
    """Everything in one file; DataError names file, line, key and remedy of the first bad line."""
    try:
        if path.suffix == ".gz":
            with gzip.open(path, "rt", encoding="utf-8") as lines:
                return list(read_lines(lines, str(path)))
        with path.open(encoding="utf-8") as lines:
            return list(read_lines(lines, str(path)))
    except (OSError, EOFError) as trouble:
        raise DataError(f"{path}: cannot be read ({trouble}); check the file") from trouble
    except UnicodeDecodeError as trouble:
        raise DataError(f"{path}: not UTF-8 text; is this a records file?") from trouble
