"""Instants as a reader needs them: in the home's zone and in UTC, right over a clock change."""

from zoneinfo import ZoneInfo

from whichhop.model.time_words import instant_words, span_words, utc_of

__all__ = ["how_long", "local", "span", "utc", "utc_of", "utc_span"]
_UTC = ZoneInfo("UTC")


def local(at_ns: int, zone: ZoneInfo) -> str:
    """Day, time and zone in the home's zone."""
    return instant_words(at_ns, zone)


def utc(at_ns: int) -> str:
    """Day and time in UTC."""
    return instant_words(at_ns, _UTC)


def span(start_ns: int, end_ns: int, zone: ZoneInfo) -> str:
    """From and to in the home's zone; day and offset are said twice only when they differ."""
    return span_words(start_ns, end_ns, zone)


def utc_span(start_ns: int, end_ns: int) -> str:
    """From and to in UTC."""
    return span_words(start_ns, end_ns, _UTC)


def how_long(seconds: float) -> str:
    """A length of time in the two largest fitting units."""
    whole = round(seconds)
    for size, name, below, small in ((86400, "d", 3600, "h"), (3600, "h", 60, "min"), (60, "min", 1, "s")):
        if whole >= size:
            rest = whole % size // below
            return f"{whole // size} {name}" + (f" {rest} {small}" if rest else "")
    return f"{whole} s"
