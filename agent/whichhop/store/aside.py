"""A store that is damaged is moved aside, so that a new one can begin; nothing of it is thrown away."""

from datetime import UTC, datetime
from pathlib import Path

from whichhop.errors import StoreError
from whichhop.model.units import NS_PER_S, UtcNs

PARTS = ("", "-wal", "-shm")
"""SQLite's files of one database, by what is added to its name."""
MOST_ASIDE = 3
"""A disk that breaks one store after another must not be filled with them: the oldest make room."""


def move_aside(path: Path, now_ns: UtcNs) -> Path:
    """Rename a store with its parts, so that it can still be opened there; where it is now.

    StoreError when it cannot be moved.
    """
    when = datetime.fromtimestamp(now_ns // NS_PER_S, UTC)
    there = path.with_name(f"{path.name}.damaged-{when:%Y%m%dT%H%M%SZ}")
    number = 1
    while there.exists():
        number += 1
        there = path.with_name(f"{path.name}.damaged-{when:%Y%m%dT%H%M%SZ}-{number}")
    try:
        for part in PARTS:
            here = Path(f"{path}{part}")
            if here.exists():
                here.rename(f"{there}{part}")
        for old in sorted(path.parent.glob(f"{path.name}.damaged-*Z*"))[: -MOST_ASIDE * len(PARTS)]:
            old.unlink()
    except OSError as trouble:
        raise StoreError(
            f"{path}: is damaged and cannot be moved aside ({trouble.strerror or trouble}); move it away"
        ) from trouble
    return there
