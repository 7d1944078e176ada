"""Named types for time and rate, so that a wall clock never meets a monotonic one by mistake."""

from typing import NewType

UtcNs = NewType("UtcNs", int)
"""Nanoseconds since 1970-01-01 UTC, leap seconds ignored as POSIX does."""

MonoNs = NewType("MonoNs", int)
"""Nanoseconds of a clock that never steps; only differences have a meaning."""

NS_PER_S = 1_000_000_000
NS_PER_MS = 1_000_000
NS_PER_MINUTE = 60 * NS_PER_S


def minute_of(at_ns: int) -> int:
    """The whole minute since the epoch that holds an instant in nanoseconds."""
    return at_ns // NS_PER_MINUTE


def seconds_to_next(now_ns: int, every_s: float) -> float:
    """From now to the next whole multiple of `every_s` since the epoch: in (0, every_s]."""
    step_ns = round(every_s * NS_PER_S)
    return (step_ns - now_ns % step_ns) / NS_PER_S
