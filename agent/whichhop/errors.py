"""One root error and a child per kind of trouble; every one is our own trouble, never a lost packet."""

from collections.abc import Sequence
from dataclasses import dataclass


class WhichhopError(Exception):
    """Anything the person at the keyboard can mend; the text says what and how. Exit code 2."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Complaint:
    """One thing wrong in a file: where it stands, what it is, what to do about it."""

    file: str
    line: int
    key: str
    problem: str
    remedy: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.key or '(top level)'}: {self.problem}; {self.remedy}"


class ConfigError(WhichhopError):
    """A file a person wrote is wrong; carries every complaint, not just the first."""

    def __init__(self, complaints: Sequence[Complaint]) -> None:
        self.complaints = tuple(complaints)
        super().__init__("\n".join(str(c) for c in self.complaints))


class SystemRefusedError(WhichhopError):
    """The operating system refused something we need: a socket, a port, a namespace."""


class StoreError(WhichhopError):
    """The store cannot be opened, read or written."""


class StoreFullError(StoreError):
    """The disk has no room left: storing stops until it has, measuring goes on."""


class StoreDamagedError(StoreError):
    """The store's file is no longer whole: it may be moved aside, and a new one begun."""


class RemoteError(WhichhopError):
    """Another agent or server did not answer, or answered what we cannot use."""


class DataError(WhichhopError):
    """A file of measurements cannot be used; the text names file, line and remedy."""
