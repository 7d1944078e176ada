"""What two clocks' disagreement does to one-way delays, taken out: cut at steps, freed of drift. Pure."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from msgspec import Struct

from whichhop.stats.delay import DelayArrays
from whichhop.stats.quantile import Floats
from whichhop.stats.skew import ClockStep, find_steps, fit_skew

PIECE_NS = 3_600e9
"""A clock's rate is taken as steady for an hour: a cheap oscillator's wanders by hundredths of a part per
million in that time when the room's temperature does not jump (common practice)."""
LEAST_SPAN_NS = 60e9
"""Over less than a minute the fastest packets' own spread, some 50 us, reads as a part per million."""
LEAST_PACKETS = 20
MOST_APART = 20e-6
"""Both ways' slopes may differ by 20 parts per million: beyond, a queue stood in one direction at an end of
the time, and what it grew by must not be taken for drift. Crystals are good to some 50 (common practice)."""


class Drift(Struct, frozen=True, kw_only=True):
    """How fast the far clock gains on the near one: ns a ns, so 1e-6 is one part per million.

    rate: half the difference of the two ways' slopes. low, high: the way out's own slope and the way back's
    turned round; a queue that grew or shrank in one direction alone moves them apart, drift does not.
    """

    rate: float
    low: float
    high: float


class ClockSegment(Struct, frozen=True, kw_only=True):
    """A stretch between two clock steps: places in the arrays, `end` left out; its drift where known."""

    start: int
    end: int
    drift: Drift | None


class FreedWays(Struct, frozen=True, kw_only=True):
    """Both ways with the clocks' drift taken out; within a segment a constant offset stays.

    out_ns, back_ns: as long as the arrays they came from, infinite where undefined. Delays of different
    segments must not be compared: a step lies between.
    """

    out_ns: Floats
    back_ns: Floats
    segments: tuple[ClockSegment, ...]
    steps: tuple[ClockStep, ...]

    @property
    def drift(self) -> Drift | None:
        """That of the longest segment; None where no segment is long enough to tell."""
        known = [s for s in self.segments if s.drift is not None]
        return max(known, key=lambda s: s.end - s.start).drift if known else None


def _drift_of(sent_ns: Floats, out_ns: Floats, back_ns: Floats) -> Drift | None:
    there = np.isfinite(out_ns)
    if np.count_nonzero(there) < LEAST_PACKETS or np.ptp(sent_ns[there]) < LEAST_SPAN_NS:
        return None
    out, back = fit_skew(sent_ns, out_ns), fit_skew(sent_ns, back_ns)
    if out is None or back is None:
        return None
    low, high = min(out.rate, -back.rate), max(out.rate, -back.rate)
    return Drift(rate=(low + high) / 2, low=low, high=high) if high - low <= MOST_APART else None


def _pieces(sent_ns: Floats, start: int, end: int) -> list[tuple[int, int]]:
    """A segment cut into equal times of at most PIECE_NS; one piece where it is shorter."""
    span = sent_ns[end - 1] - sent_ns[start]
    count = max(1, int(np.ceil(span / PIECE_NS)))
    edges = sent_ns[start] + span * np.arange(1, count) / count
    places = [start, *(start + np.searchsorted(sent_ns[start:end], edges)).tolist(), end]
    return [(a, b) for a, b in pairwise(places) if b > a]


def free_ways(arrays: DelayArrays) -> FreedWays:
    """Finds steps, fits each segment's drift under the fastest packets (lower hull) and takes it out.

    Where it cannot be told, too short a time or a queue that stood one way, delays stay as they are.
    The drift of a long segment is fitted piece by piece and joined without a jump. Arrays without far stamps,
    empty ones and all-lost ones come back as they are, with one segment or none.
    """
    steps = find_steps(arrays.out_ns, arrays.back_ns, sent_ns=arrays.sent_ns) if arrays.has_ways else []
    out, back = arrays.out_ns.copy(), arrays.back_ns.copy()
    edges = [0, *(s.index for s in steps), len(out)]
    segments = []
    for start, end in pairwise(edges):
        if end <= start:
            continue
        drifts: list[tuple[int, Drift]] = []
        gained_ns = 0.0
        for a, b in _pieces(arrays.sent_ns, start, end):
            drift = _drift_of(arrays.sent_ns[a:b], arrays.out_ns[a:b], arrays.back_ns[a:b])
            rate = drift.rate if drift else 0.0
            since = arrays.sent_ns[a:b] - arrays.sent_ns[a]
            out[a:b] -= gained_ns + rate * since
            back[a:b] += gained_ns + rate * since
            until = arrays.sent_ns[b] if b < end else arrays.sent_ns[b - 1]
            gained_ns += rate * float(until - arrays.sent_ns[a])
            if drift:
                drifts.append((b - a, drift))
        segments.append(ClockSegment(start=start, end=end, drift=_together(drifts)))
    return FreedWays(out_ns=out, back_ns=back, segments=tuple(segments), steps=tuple(steps))


def _together(drifts: Sequence[tuple[int, Drift]]) -> Drift | None:
    """Pieces' drifts as one, weighed by their packets."""
    if not drifts:
        return None
    weights = [n for n, _ in drifts]
    return Drift(
        rate=float(np.average([d.rate for _, d in drifts], weights=weights)),
        low=float(np.average([d.low for _, d in drifts], weights=weights)),
        high=float(np.average([d.high for _, d in drifts], weights=weights)),
    )


def above_fastest(values_ns: Floats, segments: Sequence[ClockSegment]) -> Floats:
    """PDV (RFC 5481 4.2) within each segment, pooled: each delay less its own segment's smallest.

    ns, infinite where lost, same length; a segment without an answer stays infinite.
    """
    out = values_ns.copy()
    for segment in segments:
        part = out[segment.start : segment.end]
        answered = part[np.isfinite(part)]
        if len(answered):
            out[segment.start : segment.end] = part - answered.min()
    return out
