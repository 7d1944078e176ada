"""A part of the home file as the noun that it describes: what both call by the same name is the same."""

from pathlib import Path
from typing import Any, TypeVar

from whichhop.config.credentials import handed

N = TypeVar("N")


def beside(home_file: Path, path: str | None) -> str | None:
    """A path as written, made relative to the home file's folder."""
    return None if path is None else str(home_file.parent / path)


def secret_beside(home_file: Path, path: str | None) -> str | None:
    """As `beside`, of a file that may hold a secret: read where systemd handed it to this service."""
    return None if path is None else str(handed(home_file.parent / path))


def noun_of(kind: type[N], part: object, home_file: Path, **own: Any) -> N:
    """A noun, a frozen record, of a checked part's fields of the same names; `own` are those made otherwise.

    What is not written takes the noun's default; what is called `file` or ends so is a path, a list a tuple.
    """
    given: dict[str, Any] = {}
    for name in kind.__annotations__:
        value = getattr(part, name, None)
        if name in own or value is None:
            continue
        if name == "file":
            value = beside(home_file, value)
        elif name.endswith("_file"):
            value = secret_beside(home_file, value)
        given[name] = tuple(value) if isinstance(value, list) else value
    return kind(**given, **own)


def minutes_of(quiet_hours: str | None) -> tuple[int, int] | None:
    """Start and end of "22:00-07:00" as minutes after midnight, of checked text; None where none is given."""
    if not quiet_hours:
        return None
    start, end = (int(t[:2]) * 60 + int(t[3:]) for t in quiet_hours.split("-"))
    return start, end
