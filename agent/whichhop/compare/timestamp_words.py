"""A line on whose time stamps the compared delays rest on: the kernel's, or a program's, late when busy."""

from whichhop.compare.windows.table import WindowTable
from whichhop.model.stamps import program_stamps

NAMED = 3
"""Sessions named in the line; the rest are counted (`--json` has them all)."""


def timing_words(windows: WindowTable) -> str:
    """One sentence; empty for a coarse table, whose buckets hide a stamp's error anyway."""
    if windows.coarse:
        return ""
    told = [key for key in windows.sessions if key in windows.stamps]
    if not told:
        return "No minute has settled yet, so it is not on record who took the time stamps."
    own = {key: program_stamps(key.method, windows.stamps[key]) for key in told}
    late = [f"{key} ({', '.join(sorted(own[key]))})" for key in told if own[key]]
    head = f"Timed by the kernel's stamps in {_of(len(told) - len(late), len(told))}"
    if not late:
        return f"{head}."
    names = ", ".join(late[:NAMED]) + (f" and {len(late) - NAMED} more" if len(late) > NAMED else "")
    return f"{head}; in others the program took some itself, which come late on a busy machine: {names}."


def _of(count: int, whole: int) -> str:
    return f"all {whole} sessions" if count == whole else f"{count} of {whole} sessions"
