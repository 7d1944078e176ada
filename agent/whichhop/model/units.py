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
