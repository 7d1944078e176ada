"""What a target may do with octets: give a value, or complain in one printable line."""

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from whichhop.errors import WhichhopError
from whichhop.printable import printable

Target = Callable[[bytes], None]
Targets = dict[str, Target]
Seeds = dict[str, list[bytes]]
MOST_LINE = 2_500
"""Characters of a line of complaint; it may quote, but not at length."""
MOST_LINES = 21
"""A home file's first twenty mistakes, and how many there are besides."""


def must(holds: bool, what: str) -> None:
    if not holds:
        raise AssertionError(what)


def complained(trouble: Exception) -> None:
    line = str(trouble)
    must(all(printable(part) == part for part in line.split("\n")), f"a complaint that acts: {line!r}")
    lines = line.split("\n")
    must(max(map(len, lines)) <= MOST_LINE, f"a line of complaint of {max(map(len, lines))} characters")
    must(len(lines) <= MOST_LINES, f"{len(lines)} lines of complaint")


def allowed(call: Callable[[], object], *also: type[Exception]) -> None:
    """For readers whose docstring names an error that is not ours."""
    try:
        call()
    except WhichhopError as trouble:
        complained(trouble)
    except also as trouble:
        complained(trouble)


@contextmanager
def scratch() -> Iterator[Path]:
    """A folder in memory where there is one: a disk's own slowness took four fifths of a try's time."""
    in_memory = Path("/dev/shm")
    with TemporaryDirectory(dir=in_memory if os.access(in_memory, os.W_OK) else None) as folder:
        yield Path(folder)


def any_text(octets: bytes) -> str:
    """Text of any octets: what is no UTF-8 becomes lone surrogates, as in a file name."""
    return octets.decode("utf-8", "surrogateescape")


def named(*targets: Target) -> Targets:
    return {t.__name__: t for t in targets}
