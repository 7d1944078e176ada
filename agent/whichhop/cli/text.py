"""Times, lengths of time and tables as people type and read them."""

import os
import re
from collections.abc import Iterable, Sequence
from contextvars import ContextVar
from datetime import datetime, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from whichhop.errors import DataError
from whichhop.model import Home
from whichhop.model.figure_words import clock_words, instant_words, utc_of, zone_of
from whichhop.model.units import NS_PER_S
from whichhop.outside import INT64

DAY_S = 86_400.0
_ZONE: ContextVar[tzinfo | None] = ContextVar("zone", default=None)
"""The zone that this command tells times in; None takes the machine's."""


def times_in(home: Home) -> None:
    """From now on this command tells times in the home's zone."""
    _ZONE.set(zone_of(home))


def parse_time(text: str | None, option: str, default_ns: int) -> int:
    """UTC nanoseconds of a time on the command line; without a zone it is taken as the home's."""
    if text is None:
        return default_ns
    try:
        at = datetime.fromisoformat(text)
        at = at.replace(tzinfo=_ZONE.get()).astimezone() if at.tzinfo is None else at
        # A store holds the years from 1678 to 2262: what is further off begins or ends there.
        return min(max(round(at.timestamp()) * NS_PER_S, -INT64), INT64)
    except (ValueError, OverflowError):
        raise DataError(f"{option} {text}: not a time; write it as 2026-03-01T18:00Z") from None


def instant_text(at_ns: int) -> str:
    """An instant in the home's zone, in the one form: 2026-03-01 18:00:10 CET (UTC+1)."""
    return instant_words(at_ns, _ZONE.get())


def clock_text(at_ns: int, *, seconds: bool = True) -> str:
    """An instant's time of day in the home's zone, where the day is stated above."""
    return clock_words(at_ns, _ZONE.get(), seconds=seconds)


def moment_text(at_ns: int, span_s: float) -> str:
    """An instant within a span whose begin is stated above: the time of day, with its date where that is more
    than a day's."""
    date = f"{utc_of(at_ns).astimezone(_ZONE.get()):%Y-%m-%d} " if span_s > DAY_S else ""
    return date + clock_text(at_ns)


LONGEST_SPAN_NS = 36_500 * 86_400 * NS_PER_S
"""A hundred years, the longest that a home file may keep records."""
_SPANS = {"m": 60, "h": 3600, "d": 86_400, "w": 604_800}


def parse_span(text: str | None, option: str, default_ns: int) -> int:
    """Nanoseconds of a length of time on the command line: 90m, 36h, 7d, 2w."""
    if text is None:
        return default_ns
    number, unit = text[:-1], text[-1:]
    if unit not in _SPANS or not re.fullmatch("[0-9]{1,6}", number) or int(number) == 0:
        raise DataError(f"{option} {text}: not a length of time; write it as 36h, 7d or 2w")
    span_ns = int(number) * _SPANS[unit] * NS_PER_S
    if span_ns > LONGEST_SPAN_NS:
        raise DataError(f"{option} {text}: longer than anything is kept; write 5200w at most")
    return span_ns


def machine_zone(localtime: Path = Path("/etc/localtime"), environ: "dict[str, str] | None" = None) -> str:
    """The machine's IANA zone: TZ, else where /etc/localtime leads; UTC when neither names one."""
    found = (os.environ if environ is None else environ).get("TZ", "").lstrip(":")
    if not found and localtime.is_symlink():
        found = str(localtime.resolve()).partition("/zoneinfo/")[2]
    try:
        return ZoneInfo(found).key if found else "UTC"
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return "UTC"


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A head and rows as text, each column padded to its widest cell; the last column is left ragged."""
    cells = [[str(c) for c in row] for row in (head, *rows)]
    widths = [max(len(row[i]) for row in cells) for i in range(len(head))]
    lines = []
    for row in cells:
        padded = [cell.ljust(width) for cell, width in zip(row, widths, strict=True)]
        lines.append("  ".join(padded).rstrip())
    return "\n".join(lines)


def many(count: int, what: str) -> str:
    """A count with its noun: 1 session, 2 sessions."""
    return f"{count} {what}" + ("" if count == 1 else "s")
