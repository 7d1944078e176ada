"""What version of our own code something was worked out by, so that a newer one works it out anew."""

import hashlib
from functools import cache
from pathlib import Path

import numpy as np

import whichhop

_TOP = Path(whichhop.__file__).parent
CUTTING = ("wire", "stats", "model", "store/columns.py", "compare/windows", "app/stored/day_windows.py")
"""What windows are cut by; reasoning that changes leaves them as they are."""


@cache
def code_digest(parts: tuple[str, ...] = ("",)) -> bytes:
    """SHA-256 over the sources of some parts of the package, all of it unless given, and the arithmetic's
    version."""
    hashed = hashlib.sha256(f"{whichhop.__version__} numpy {np.__version__}".encode())
    for part in parts:
        place = _TOP / part
        for path in sorted(place.rglob("*.py")) if place.is_dir() else [place]:
            octets = path.read_bytes()
            hashed.update(f"\0{path.relative_to(_TOP)} {len(octets)}\0".encode() + octets)
    return hashed.digest()
