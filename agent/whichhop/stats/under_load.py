"""What a stream of packets says of delay before, during and after a transfer. Plain arithmetic."""

import math
from collections.abc import Iterable, Sequence
from statistics import median

from whichhop.model.sample import Fate, Sample
from whichhop.model.transfer import UnderLoad
from whichhop.stats.responsiveness import trimmed_mean

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
