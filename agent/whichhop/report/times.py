"""Instants as a reader needs them: in the home's zone and in UTC, right over a clock change."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from whichhop.model.units import NS_PER_S

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
"""For the marks of a time axis alone."""


def utc_of(at_ns: int) -> datetime:
    """An instant to the second, as UTC."""
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=at_ns // NS_PER_S)


def _zone(at: datetime) -> str:
    """The zone's own letters with its offset, "CET (UTC+1)"; the offset alone where it has none."""
    seconds = int((at.utcoffset() or timedelta()).total_seconds())
    hours, minutes = divmod(abs(seconds) // 60, 60)
    offset = f"UTC{'-' if seconds < 0 else '+'}{hours}" + (f":{minutes:02}" if minutes else "")
    letters = at.tzname() or ""
    if letters == "UTC":
        return letters
    return f"{letters} ({offset})" if letters.isalpha() else offset


def day(at_ns: int, zone: ZoneInfo) -> str:
    """The day in the home's zone."""
    return f"{utc_of(at_ns).astimezone(zone):%Y-%m-%d}"


def local(at_ns: int, zone: ZoneInfo) -> str:
    """Day, time, zone and offset in the home's zone."""
    at = utc_of(at_ns).astimezone(zone)
    return f"{at:%Y-%m-%d %H:%M:%S} {_zone(at)}"


def utc(at_ns: int) -> str:
    """Day and time in UTC."""
    return f"{utc_of(at_ns):%Y-%m-%d %H:%M:%S} UTC"


def span(start_ns: int, end_ns: int, zone: ZoneInfo) -> str:
    """From and to in the home's zone; day and zone are said twice only when they differ."""
    a, b = (utc_of(t).astimezone(zone) for t in (start_ns, end_ns))
    if a.utcoffset() == b.utcoffset():
        until = f"{b:%H:%M:%S}" if a.date() == b.date() else f"{b:%Y-%m-%d %H:%M:%S}"
        return f"{a:%Y-%m-%d %H:%M:%S} to {until} {_zone(a)}"
    return f"{local(start_ns, zone)} to {local(end_ns, zone)}"


def clock_span(start_ns: int, end_ns: int, zone: ZoneInfo) -> str:
    """From and to for a table whose caption names the zone: day and time, the day once where it can be."""
    a, b = (utc_of(t).astimezone(zone) for t in (start_ns, end_ns))
    until = f"{b:%H:%M:%S}" if a.date() == b.date() else f"{b:%m-%d %H:%M:%S}"
    return f"{a:%m-%d %H:%M:%S} to {until}"


def utc_span(start_ns: int, end_ns: int) -> str:
    """From and to in UTC."""
    return span(start_ns, end_ns, ZoneInfo("UTC"))


def how_long(seconds: float) -> str:
    """A length of time in the two largest fitting units."""
    whole = round(seconds)
    for size, name, below, small in ((86400, "d", 3600, "h"), (3600, "h", 60, "min"), (60, "min", 1, "s")):
        if whole >= size:
            rest = whole % size // below
            return f"{whole // size} {name}" + (f" {rest} {small}" if rest else "")
    return f"{whole} s"
