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
