"""Files with secrets as systemd hands them to a service: by name, in a folder of that service's own.

The unit's user has no name before it runs, so no file can belong to it: what only root may read is loaded by
systemd (systemd.exec(5), LoadCredential=), and the agent finds it in the folder $CREDENTIALS_DIRECTORY.
"""

import os
import stat
from collections.abc import Mapping
from pathlib import Path

from whichhop.errors import SystemRefusedError

VARIABLE = "CREDENTIALS_DIRECTORY"


def handed(path: Path, environ: Mapping[str, str] = os.environ) -> Path:
    """Where a file with a secret is read: what systemd hands over under its name, else itself."""
    folder = environ.get(VARIABLE)
    if folder and path.name and (credential := Path(folder) / path.name).exists():
        return credential
    return path


def open_to_others(
    path: Path, mode: int, refused: int = 0o077, environ: Mapping[str, str] = os.environ
) -> bool:
    """Whether somebody beside its owner may do with a secret's file what `refused` has of the mode's bits.

    In the folder of a service's own, which nobody else enters, a file may be readable by its group, as newer
    versions of systemd make it (0440), and by no more.
    """
    folder = environ.get(VARIABLE)
    allowed = 0o040 if folder and path.parent == Path(folder) else 0
    return bool(mode & refused & ~allowed)


def refuse_open(path: Path, mode: int, refused: int) -> None:
    """SystemRefusedError with the remedy where `open_to_others`."""
    if open_to_others(path, mode, refused):
        verb, bits = ("read or change", "600") if refused & stat.S_IRGRP else ("change", "go-w")
        raise SystemRefusedError(f"{path}: others may {verb} it; run: chmod {bits} {path}")
