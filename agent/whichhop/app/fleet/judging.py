"""Judges a home by the windows that it wrote to a server: the same comparison as from its records."""

from whichhop.compare.comparison import Comparison, compare_windows
from whichhop.compare.windows.compact import Written, table_of_written
from whichhop.compare.windows.table import WindowTable
from whichhop.model import Home, derive_sessions
from whichhop.store.fleet_server import HomeWindows


def windows_of(home: Home, found: HomeWindows, start_ns: int, end_ns: int) -> WindowTable:
    """The whole ticks of a span; a column for each session of the home file that the server has."""
    keys = [s.key for s in derive_sessions(home) if s.key in found.of_sessions]
    written = Written(of_sessions=found.of_sessions, not_judged=found.not_judged, kernel=found.kernel)
    return table_of_written(keys, written, start_ns, end_ns)


def judged(
    home: Home, found: HomeWindows, start_ns: int, end_ns: int, *, changes_alone: bool = False
) -> Comparison | None:
    """What the windows of a span say; None where there are none of the home file's sessions."""
    table = windows_of(home, found, start_ns, end_ns)
    return compare_windows(home, table, found.readings, changes_alone=changes_alone)
