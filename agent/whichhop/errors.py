"""One root error and a child per kind of trouble; every one is our own trouble, never a lost packet."""

from collections.abc import Sequence

from msgspec import Struct

from whichhop.printable import printable

MOST_COMPLAINTS = 20
"""Complaints told of one file: with the count of the rest they fit a terminal of 24 lines."""
LONGEST_COMPLAINT = 500
"""Characters of one complaint: the longest of ours has some 250, the rest is what it quotes."""
LONGEST_LINE = 2_000
"""Characters of any error's line, whatever it quotes; a line of ours that lists names has some 500."""

INSTALL_COMPARER = "install the comparer's libraries too, from a checkout: pip install '.[compare]'"
"""The remedy where an agent's machine lacks what comparing needs."""


class WhichhopError(Exception):
    """Anything the person at the keyboard can mend; the text says what and how. Exit code 2.

    Its text quotes what files, devices and other agents said, so it is made printable here, for every place
    that shows it.
    """

    def __str__(self) -> str:
        return "\n".join(printable(line, LONGEST_LINE) for line in super().__str__().split("\n"))


class Complaint(Struct, frozen=True, kw_only=True):
    """One thing wrong in a file: where it stands, what it is, what to do about it."""

    file: str
    line: int
    key: str
    problem: str
    remedy: str

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}: {self.key or '(top level)'}"
        return printable(f"{where}: {self.problem}; {self.remedy}", LONGEST_COMPLAINT)


class ConfigError(WhichhopError):
    """A file a person wrote is wrong; carries every complaint; of many, its text has the first."""

    def __init__(self, complaints: Sequence[Complaint], more: int = 0) -> None:
        """more: how many there are besides, which nobody put into words."""
        self.complaints = tuple(complaints)
        lines = [str(c) for c in self.complaints[:MOST_COMPLAINTS]]
        if more := more + len(self.complaints) - len(lines):
            lines.append(f"{self.complaints[0].file}: ... and {more} more; fix these first")
        super().__init__("\n".join(lines))


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
