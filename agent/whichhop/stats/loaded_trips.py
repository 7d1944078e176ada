"""The loaded connection's own round trips, beside its data: their mean, and second by second. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean

from whichhop.stats.responsiveness import trimmed_mean
from whichhop.stats.steady import SKIP_S

INTERVAL_S = 1.0
"""The responsiveness draft's interval, over which its moving averages go."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedTrips:
    """Of samples past slow start. mean_ms: trimmed as the draft does, None without one.

    per_interval_ms: plain means of whole seconds, None for one without a sample.
    """

    mean_ms: float | None
    per_interval_ms: tuple[float | None, ...]


def per_interval(
    samples: Sequence[tuple[float, float]], seconds: float, *, skip_s: float = SKIP_S
) -> tuple[float | None, ...]:
    """Means of (time in s, value) samples over whole seconds from `skip_s` to `seconds`."""
    count = max(0, int((seconds - skip_s) / INTERVAL_S))
    bins: list[list[float]] = [[] for _ in range(count)]
    for at_s, value in samples:
        place = int((at_s - skip_s) / INTERVAL_S) if at_s >= skip_s else -1
        if 0 <= place < count:
            bins[place].append(value)
    return tuple(fmean(b) if b else None for b in bins)


def loaded_trips(samples: Sequence[tuple[float, float]], seconds: float) -> LoadedTrips:
    """samples: (s since the data began, round trip in ms)."""
    counted = [ms for at_s, ms in samples if at_s >= SKIP_S]
    return LoadedTrips(mean_ms=trimmed_mean(counted), per_interval_ms=per_interval(samples, seconds))
