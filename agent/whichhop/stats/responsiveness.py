"""Round trips under load: a minute's number by the IETF draft, a second's mean; when a rate has settled."""

import itertools
import math
from collections.abc import Iterable, Sequence
from statistics import fmean, median

from msgspec import Struct

from whichhop.model.sample import Fate, Sample
from whichhop.model.transfer import UnderLoad
from whichhop.model.units import NS_PER_S

SLOT_S = 0.25
"""Long enough for some hundred segments at 20 Mbit/s, short enough for four of them in a second."""
SKIP_S = 1.0
"""Left out at the beginning: slow start, and the drop of the queue it overfilled (measured: 1 s skipped and
2 s counted is within 1 % on queues of 50 to 400 ms)."""
LEAST_SLOTS = 4
WITHIN = 0.02
"""Our own choice: steady means that a second's slots agree within 2 %."""

Point = tuple[int, int]
"""(monotonic ns, octets so far)."""

INTERVAL_S = 1.0
"""The responsiveness draft's interval, over which its moving averages go."""


class Settled(Struct, frozen=True, kw_only=True):
    """A rate in bit/s and how it was had.

    slots: how many slots it rests on. spread: (largest - smallest) / rate of the last LEAST_SLOTS slots, by
    their mean where most of them are empty; always a number.
    steady: whether that spread was within the limit; if not, the rate is the median of all counted slots.
    """

    rate_bps: float
    slots: int
    spread: float
    steady: bool


def slot_rates(points: Sequence[Point], *, slot_s: float = SLOT_S, skip_s: float = SKIP_S) -> list[float]:
    """Rates of whole slots in bit/s, oldest first, from cumulative points; the first `skip_s` left out.

    Slot ends are found by straight lines between points, so points may come at any rhythm.
    """
    if len(points) < 2:
        return []
    start = points[0][0] + round(skip_s * NS_PER_S)
    slot_ns = round(slot_s * NS_PER_S)
    marks: list[float] = []
    edge, at = start, 1
    while edge <= points[-1][0]:
        while points[at][0] < edge:
            at += 1
        (t0, o0), (t1, o1) = points[at - 1], points[at]
        marks.append(o0 + (o1 - o0) * (edge - t0) / (t1 - t0) if t1 > t0 else float(o1))
        edge += slot_ns
    return [(b - a) * 8 / slot_s for a, b in itertools.pairwise(marks)]


def settle(rates: Sequence[float], *, within: float = WITHIN, least: int = LEAST_SLOTS) -> Settled | None:
    """The rate that slots show: None with no slot; steady when the last `least` agree within `within`."""
    if not rates:
        return None
    last = rates[-least:]
    middle = median(last)
    # Where most slots are empty their median is no measure; a slot of nothing is never steady.
    centre = middle or fmean(last)
    spread = (max(last) - min(last)) / centre if centre > 0 else 0.0
    if len(last) == least and middle > 0 and spread <= within:
        # Older slots that agree too make the estimate firmer; those before it settled would spoil it.
        agree = [r for r in rates if abs(r - middle) <= within * middle]
        return Settled(rate_bps=median(agree), slots=len(agree), spread=spread, steady=True)
    return Settled(rate_bps=median(rates), slots=len(rates), spread=spread, steady=False)


class LoadedTrips(Struct, frozen=True, kw_only=True):
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


MS_PER_MINUTE = 60_000
MOVING_INTERVALS = 4
TOLERANCE = 0.05
"""The draft's defaults: moving averages of four intervals, and how far the last four of them may differ."""


class Responsiveness(Struct, frozen=True, kw_only=True):
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


SETTLING_NS = 300_000_000
"""Left out at the transfer's begin: its queue is still growing."""


def _round_trips(samples: Iterable[Sample]) -> list[float]:
    return [s.rtt_ns / 1e9 for s in samples if s.fate is Fate.ANSWERED and s.rtt_ns is not None]


def _middle(values: Sequence[float]) -> float | None:
    return median(values) if values else None


def under_load(samples: Sequence[Sample], target: str, *, begin_ns: int, end_ns: int) -> UnderLoad:
    """Figures of one stream; begin and end of the transfer in the samples' own UTC ns.

    Late answers (over 3 s) count as lost, as RFC 7680 has it; samples set aside count nowhere.
    """
    usable = [s for s in samples if not s.fate.set_aside]
    before = [s for s in usable if s.sent_ns < begin_ns]
    during = [s for s in usable if begin_ns + SETTLING_NS <= s.sent_ns < end_ns]
    # What was queued when it ended is still in the way for a moment.
    after = [s for s in usable if s.sent_ns >= end_ns + SETTLING_NS]
    loaded = sorted(_round_trips(during))
    mean = trimmed_mean(loaded)
    return UnderLoad(
        target=target,
        before_s=_middle(_round_trips(before)),
        during_s=_middle(loaded),
        during_p95_s=loaded[math.ceil(0.95 * len(loaded)) - 1] if loaded else None,
        after_s=_middle(_round_trips(after)),
        sent=len(during),
        lost=len(during) - len(loaded),
        trips_per_minute=60 / mean if mean else None,
    )
