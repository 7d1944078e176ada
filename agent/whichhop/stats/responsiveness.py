"""Round trips per minute under load, as the IETF draft on responsiveness forms them."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

MS_PER_MINUTE = 60_000
MOVING_INTERVALS = 4
TOLERANCE = 0.05
"""The draft's defaults: moving averages of four intervals, and how far the last four of them may differ."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Responsiveness:
    """Round trips a minute: over fresh connections, over the loaded ones, and their mean."""

    foreign: float
    loaded: float

    @property
    def overall(self) -> float:
        """The draft's result."""
        return (self.foreign + self.loaded) / 2


def trimmed_mean(values: Sequence[float], keep: float = 0.95) -> float | None:
    """Mean of the values up to the `keep` quantile, type 1 (the draft's one-sided trimming); None if empty.

    Lost probes are left to the caller: an infinite value above the cut vanishes, one under it shows.
    """
    if not values:
        return None
    kept = sorted(values)[: max(1, math.ceil(keep * len(values) - 1e-9))]
    return sum(kept) / len(kept)


def is_stable(
    per_interval: Sequence[float], *, intervals: int = MOVING_INTERVALS, tolerance: float = TOLERANCE
) -> bool:
    """The draft's criterion for goodput and for responsiveness alike.

    The moving average over the last `intervals` values, taken at each of the last `intervals` places, has a
    standard deviation under `tolerance` of the newest one. False while there are too few values.
    """
    if len(per_interval) < 2 * intervals - 1:
        return False
    ends = range(len(per_interval) - intervals + 1, len(per_interval) + 1)
    means = [sum(per_interval[end - intervals : end]) / intervals for end in ends]
    middle = sum(means) / len(means)
    deviation = math.sqrt(sum((m - middle) ** 2 for m in means) / len(means))
    return means[-1] > 0 and deviation <= tolerance * means[-1]


def responsiveness(
    *,
    tcp_ms: Sequence[float],
    tls_ms: Sequence[float] = (),
    http_ms: Sequence[float],
    loaded_http_ms: Sequence[float],
) -> Responsiveness | None:
    """The draft's aggregate (as of its working-group text), round trips in ms of each kind of probe.

    Without TLS the foreign mean is over two kinds, never with a zero for the third. None when the TCP,
    HTTP or loaded probes have no sample. Drafts before it weighted one single mean; the two disagree
    (1500 against 960 on the same samples), so a figure must name which it is.
    """
    kinds = [tcp_ms, tls_ms, http_ms] if tls_ms else [tcp_ms, http_ms]
    means = [mean for mean in map(trimmed_mean, kinds) if mean is not None]
    loaded = trimmed_mean(loaded_http_ms)
    if loaded is None or len(means) < len(kinds):
        return None
    return Responsiveness(foreign=MS_PER_MINUTE * len(means) / sum(means), loaded=MS_PER_MINUTE / loaded)
