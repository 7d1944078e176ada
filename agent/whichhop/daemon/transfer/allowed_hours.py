"""The home's day and its quiet hours, from an instant and a time zone. Pure."""

from datetime import UTC, datetime, tzinfo

from whichhop.model.units import NS_PER_S, UtcNs


def local(now_ns: UtcNs, zone: tzinfo | None) -> datetime:
    """The wall clock of the home; None takes this machine's own zone."""
    return datetime.fromtimestamp(now_ns / NS_PER_S, UTC).astimezone(zone)


def day_of(now_ns: UtcNs, zone: tzinfo | None) -> str:
    """The home's date, ISO 8601."""
    return local(now_ns, zone).date().isoformat()


def in_quiet(minute: int, quiet: tuple[int, int] | None) -> bool:
    """Whether a minute of the day (0 to 1439) lies in the quiet hours, which may span midnight."""
    if quiet is None:
        return False
    start, end = quiet
    return start <= minute < end if start <= end else minute >= start or minute < end


def quiet_now(now_ns: UtcNs, quiet: tuple[int, int] | None, zone: tzinfo | None) -> str:
    """Why nothing may run now for the quiet hours' sake, or ""."""
    at = local(now_ns, zone)
    if not in_quiet(at.hour * 60 + at.minute, quiet):
        return ""
    assert quiet is not None  # noqa: S101 - in_quiet is False without
    first, last = (f"{m // 60:02d}:{m % 60:02d}" for m in quiet)
    return f"quiet hours are {first} to {last}, and it is {at:%H:%M} in the home"
