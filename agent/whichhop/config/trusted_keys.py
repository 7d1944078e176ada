"""The list of report makers' keys that this user trusts, one a line, in a file a person may edit."""

import os
import re
from pathlib import Path

from whichhop.config.files import read_small
from whichhop.errors import WhichhopError

_KEY = re.compile(r"[A-Z2-7]{4}(-?[A-Z2-7]{4}){4}|[0-9A-F]{64}")
MOST_OCTETS = 1 << 20


def trusted_keys_path() -> Path:
    """Where the list is: whichhop/trusted-keys in the user's configuration folder (XDG Base Directory)."""
    folder = os.environ.get("XDG_CONFIG_HOME") or str(Path.home() / ".config")
    return Path(folder) / "whichhop" / "trusted-keys"


def is_key_name(text: str) -> bool:
    """True for something that can name a key: a fingerprint or 64 hexadecimal digits."""
    return _KEY.fullmatch(text.upper()) is not None


def read_trusted(path: Path) -> dict[str, str]:
    """Fingerprint or key to the note behind it; empty without a file. WhichhopError names the bad line."""
    text = (read_small(path, MOST_OCTETS) or b"").decode("utf-8", "replace")
    found = {}
    for number, line in enumerate(text.splitlines(), 1):
        name, _, note = line.partition("#")
        if not name.strip():
            continue
        if not is_key_name(name.strip()):
            raise WhichhopError(
                f"{path}:{number}: {name.strip()[:40]!r} is no key; write a fingerprint as a report prints it"
            )
        found[name.strip()] = note.strip()
    return found


def add_trusted(path: Path, name: str, note: str) -> None:
    """Put a key at the end of the list; WhichhopError when that cannot be written."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("a", encoding="utf-8") as file:
            file.write(f"{name}  # {' '.join(note.split())}\n")
    except OSError as why:
        raise WhichhopError(f"{path}: cannot be written ({why.strerror}); check the folder") from why
