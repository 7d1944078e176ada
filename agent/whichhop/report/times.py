"""Instants as a reader needs them: in the home's zone and in UTC, right over a clock change."""

from zoneinfo import ZoneInfo

from whichhop.model.time_words import instant_words, utc_of, zone_words


def day(at_ns: int, zone: ZoneInfo) -> str:
    """The day in the home's zone."""
    return f"{utc_of(at_ns).astimezone(zone):%Y-%m-%d}"


def utc(at_ns: int) -> str:
    """Day and time in UTC."""
    return f"{utc_of(at_ns):%Y-%m-%d %H:%M:%S} UTC"


def span(start_ns: int, end_ns: int, zone: ZoneInfo) -> str:
    """From and to in the home's zone; day and zone are said twice only when they differ."""
    a, b = (utc_of(t).astimezone(zone) for t in (start_ns, end_ns))
    if a.utcoffset() == b.utcoffset():
        until = f"{b:%H:%M:%S}" if a.date() == b.date() else f"{b:%Y-%m-%d %H:%M:%S}"
        return f"{a:%Y-%m-%d %H:%M:%S} to {until} {zone_words(a)}"
    return f"{instant_words(start_ns, zone)} to {instant_words(end_ns, zone)}"


def clock_span(start_ns: int, end_ns: int, zone: ZoneInfo) -> str:
    """From and to for a table whose caption names the zone: day and time, the day once where it can be."""
    a, b = (utc_of(t).astimezone(zone) for t in (start_ns, end_ns))
    until = f"{b:%H:%M:%S}" if a.date() == b.date() else f"{b:%m-%d %H:%M:%S}"
    return f"{a:%m-%d %H:%M:%S} to {until}"


def utc_span(start_ns: int, end_ns: int) -> str:
    """From and to in UTC."""
    return span(start_ns, end_ns, ZoneInfo("UTC"))
