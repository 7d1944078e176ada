"""Instants as a reader needs them: in the home's zone and in UTC, right over a clock change."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from whichhop.model.units import NS_PER_S

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def utc_of(at_ns: int) -> datetime:
    """An instant to the second, as UTC."""
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=at_ns // NS_PER_S)


def _day(at: datetime) -> str:
    return f"{at.day} {MONTHS[at.month - 1]} {at.year}"


def _offset(at: datetime) -> str:
    seconds = int((at.utcoffset() or timedelta()).total_seconds())
    hours, minutes = divmod(abs(seconds) // 60, 60)
    return f"UTC{'-' if seconds < 0 else '+'}{hours:02}:{minutes:02}"


def local(at_ns: int, zone: ZoneInfo) -> str:
    """Day, time and offset in the home's zone."""
    at = utc_of(at_ns).astimezone(zone)
    return f"{_day(at)} {at:%H:%M:%S} ({_offset(at)})"


def utc(at_ns: int) -> str:
    """Day and time in UTC."""
    at = utc_of(at_ns)
    return f"{_day(at)} {at:%H:%M:%S} UTC"


def span(start_ns: int, end_ns: int, zone: ZoneInfo) -> str:
    """From and to in the home's zone; day and offset are said twice only when they differ."""
    a, b = (utc_of(t).astimezone(zone) for t in (start_ns, end_ns))
    if a.date() == b.date() and a.utcoffset() == b.utcoffset():
        return f"{_day(a)} {a:%H:%M:%S} to {b:%H:%M:%S} ({_offset(a)})"
    return f"{local(start_ns, zone)} to {local(end_ns, zone)}"


def utc_span(start_ns: int, end_ns: int) -> str:
    """From and to in UTC."""
    return span(start_ns, end_ns, ZoneInfo("UTC")).replace(" (UTC+00:00)", "") + " UTC"


def how_long(seconds: float) -> str:
    """A length of time in the two largest fitting units."""
    whole = round(seconds)
    for size, name, below, small in ((86400, "d", 3600, "h"), (3600, "h", 60, "min"), (60, "min", 1, "s")):
        if whole >= size:
            rest = whole % size // below
            return f"{whole // size} {name}" + (f" {rest} {small}" if rest else "")
    return f"{whole} s"
