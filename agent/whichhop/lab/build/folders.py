"""Folders of running homes: one each, saying whose it is; leftovers of the dead are found and removed."""

import json
import os
import secrets
import shutil
import signal
import stat
import tempfile
from collections.abc import Iterator
from pathlib import Path

from msgspec import Struct, to_builtins

from whichhop.errors import SystemRefusedError

PREFIX = "whichhop-lab"
ABOUT = "home.json"
MAKER = "maker"


class About(Struct, frozen=True, kw_only=True):
    """Who holds a home: process ids with their start times, since the kernel gives ids out again."""

    token: str
    owner: int
    owner_started: int
    holder: int
    holder_started: int
    inner: int
    own_users: bool
    spaces: dict[str, int]
    """node -> descriptor of its namespace in the inner process."""


def base_folder() -> Path:
    """Where homes of this user keep their folders."""
    if os.geteuid() == 0:
        return Path("/run", PREFIX)
    runtime = os.environ.get("XDG_RUNTIME_DIR")
    return Path(runtime, PREFIX) if runtime else Path(tempfile.gettempdir(), f"{PREFIX}-{os.geteuid()}")


def _own(base: Path) -> bool:
    """Whether a base folder is there; SystemRefusedError where others could have put homes into it.

    In a folder that all users share, another one may have made it first: what stands in it names processes
    that are ended, or entered.
    """
    try:
        about = base.lstat()
    except FileNotFoundError:
        return False
    if not stat.S_ISDIR(about.st_mode) or about.st_uid != os.geteuid() or about.st_mode & 0o022:
        raise SystemRefusedError(
            f"{base}: not a folder that this user alone may write; remove it, or set XDG_RUNTIME_DIR"
        )
    return True


def new_folder(base: Path) -> Path:
    """A fresh folder under `base`, only for this user; SystemRefusedError where it is not this user's."""
    if not _own(base):
        base.mkdir(mode=0o700, parents=True, exist_ok=True)
        _own(base)  # somebody else may have been quicker
    folder = base / secrets.token_hex(4)
    folder.mkdir(mode=0o700)
    (folder / MAKER).write_text(str(os.getpid()))
    return folder


def started(pid: int, proc: Path = Path("/proc")) -> int | None:
    """A process's start time in clock ticks since boot (proc(5), field 22), None when there is none."""
    try:
        text = (proc / str(pid) / "stat").read_text()
    except OSError:
        return None
    # The second field may hold blanks and brackets: count from the last bracket.
    after = text.rpartition(")")[2].split()
    return None if after[0] == "Z" else int(after[19])


def write_about(folder: Path, about: About) -> None:
    """Say whose folder it is; whole or not at all."""
    draft = folder / f"{ABOUT}.new"
    draft.write_text(json.dumps(to_builtins(about)))
    draft.rename(folder / ABOUT)


def read_about(folder: Path) -> About | None:
    """Whose folder it is; None when it was never said or cannot be read."""
    try:
        return About(**json.loads((folder / ABOUT).read_text()))
    except (OSError, ValueError, TypeError):
        return None


def running(base: Path) -> Iterator[tuple[Path, About]]:
    """Homes whose owner and holder live."""
    for folder in sorted(base.iterdir()) if _own(base) else []:
        about = read_about(folder)
        if about is None or not _alive(about.owner, about.owner_started):
            continue
        if _alive(about.holder, about.holder_started):
            yield folder, about


def clean(base: Path) -> list[str]:
    """Remove what homes left whose owner is gone; answers one line each. Living homes are not touched."""
    out = []
    for folder in sorted(base.iterdir()) if _own(base) else []:
        about = read_about(folder)
        if about is not None and _alive(about.owner, about.owner_started):
            continue
        if about is None and _young(folder):
            continue
        if about is not None and _alive(about.holder, about.holder_started):
            # With the holder's inner process the kernel ends everything else of that home.
            os.kill(about.holder, signal.SIGTERM)
        shutil.rmtree(folder, ignore_errors=True)
        out.append(f"removed the leftover home {folder.name}")
    return out


def _alive(pid: int, start: int) -> bool:
    return started(pid) == start


def _young(folder: Path, proc: Path = Path("/proc")) -> bool:
    """True when a folder without a name may be one that is being set up: made by a process that lives."""
    try:
        maker = int((folder / MAKER).read_text())
    except (OSError, ValueError):
        return False
    return started(maker, proc) is not None
