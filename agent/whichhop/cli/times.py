"""Times as people type and read them on the command line."""

from datetime import UTC, datetime

from whichhop.errors import DataError
from whichhop.model.units import NS_PER_S


def parse_time(text: str | None, option: str, default_ns: int) -> int:
    """UTC nanoseconds of a time on the command line; without a zone it is taken as local time."""
    if text is None:
        return default_ns
    try:
        at = datetime.fromisoformat(text).astimezone()
        return round(at.timestamp()) * NS_PER_S
    except (ValueError, OverflowError):
        raise DataError(f"{option} {text}: not a time; write it as 2026-03-01T18:00Z") from None


def local_text(at_ns: int) -> str:
    """An instant in this machine's zone, to the second, with its offset from UTC."""
    return datetime.fromtimestamp(at_ns / NS_PER_S, UTC).astimezone().strftime("%Y-%m-%d %H:%M:%S %z")


def clock_text(at_ns: int) -> str:
    """An instant's time of day in this machine's zone, to the second."""
    return datetime.fromtimestamp(at_ns / NS_PER_S, UTC).astimezone().strftime("%H:%M:%S")


_SPANS = {"m": 60, "h": 3600, "d": 86_400, "w": 604_800}


def parse_span(text: str | None, option: str, default_ns: int) -> int:
    """Nanoseconds of a length of time on the command line: 90m, 36h, 7d, 2w."""
    if text is None:
        return default_ns
    number, unit = text[:-1], text[-1:]
    if unit not in _SPANS or not number.isdigit() or not 0 < int(number) < 100_000:
        raise DataError(f"{option} {text}: not a length of time; write it as 36h, 7d or 2w")
    return int(number) * _SPANS[unit] * NS_PER_S


def day_text(at_ns: int) -> str:
    """An instant in this machine's zone as date and time to the minute."""
    return datetime.fromtimestamp(at_ns / NS_PER_S, UTC).astimezone().strftime("%Y-%m-%d %H:%M")
