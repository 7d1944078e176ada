"""Do bursts of uncorrectable codewords fall into the same times as loss on the access link, beyond chance?

A raw match proves little when both are common, and both come in bursts. So the one series is shifted in
time against the other, round the end: every shift keeps each series' own rhythm and breaks only what ties
them. The share of shifts that match at least as well as the truth is the p-value (a permutation test).
"""

from collections.abc import Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

LEAST_INTERVALS = 40
"""Under so many reading intervals the smallest possible p-value is above 1 in 20 after the nearest shifts
are left out, so the test says nothing."""
LEAST_SHIFT = 5
"""Intervals by which a shift must differ from the truth, both ways: nearer ones still match in part."""


class Timing(Struct, frozen=True, kw_only=True):
    """What the match of two series came to.

    matched_s: seconds of loss that lie in intervals with a burst; expected_s: the same, averaged over shifts.
    p_value: None when there is too little to test; `why` then says what is missing.
    """

    intervals: int
    bursts: int
    loss_s: float
    matched_s: float
    expected_s: float | None
    p_value: float | None
    shifts: int
    why: str = ""


def seconds_inside(
    edges_s: Sequence[float], episodes_s: Sequence[tuple[float, float]]
) -> NDArray[np.float64]:
    """Seconds of the episodes (start, end) inside each interval between neighbouring edges."""
    edges = np.asarray(edges_s, dtype=np.float64)
    low, high = edges[:-1], edges[1:]
    out = np.zeros(len(low))
    for start, end in episodes_s:
        out += np.clip(np.minimum(high, end) - np.maximum(low, start), 0.0, None)
    return out


def bursts_of(uncorrectable: Sequence[float], factor: float = 10.0) -> NDArray[np.bool_]:
    """Which intervals hold a burst: at least one codeword lost, and over `factor` times the usual count.

    The usual count is the median of all intervals, so a line that loses a few codewords all the time has
    its bursts still. nan marks an interval without a usable delta: no burst.
    """
    counts = np.asarray(uncorrectable, dtype=np.float64)
    known = counts[~np.isnan(counts)]
    usual = float(np.median(known)) if len(known) else 0.0
    return np.nan_to_num(counts, nan=0.0) > factor * usual


def lined_up(bursts: NDArray[np.bool_], loss_s: NDArray[np.float64]) -> Timing:
    """The test: intervals with a burst against seconds of loss in the same intervals.

    bursts, loss_s: one value per interval, same length. All shifts are tried, by one Fourier transform (a
    month of minutes takes milliseconds), so no dice are needed. One-sided: only matching better than chance
    counts.
    """
    n = len(bursts)
    if len(loss_s) != n:
        raise ValueError(f"{n} intervals of bursts against {len(loss_s)} of loss")
    total, count = float(loss_s.sum()), int(bursts.sum())
    hit = bursts.astype(np.float64)
    matched = float(hit @ loss_s)
    why = ""
    if n < LEAST_INTERVALS:
        why = f"{n} reading intervals, at least {LEAST_INTERVALS} are needed"
    elif count == 0:
        why = "no burst of uncorrectable codewords"
    elif total == 0.0:
        why = "no loss on the access link"
    if why:
        return Timing(
            intervals=n,
            bursts=count,
            loss_s=total,
            matched_s=matched,
            expected_s=None,
            p_value=None,
            shifts=0,
            why=why,
        )
    # scores[s] is the sum over i of hit[i - s] * loss[i], round the end: a circular correlation.
    every = np.fft.irfft(np.conj(np.fft.rfft(hit)) * np.fft.rfft(loss_s), n)
    scores = every[LEAST_SHIFT : n - LEAST_SHIFT + 1]
    # The truth is one of the arrangements (hence +1 twice), so the p-value is never zero and the test exact.
    as_good = int(np.count_nonzero(scores >= matched - 1e-9 * max(total, 1.0)))
    return Timing(
        intervals=n,
        bursts=count,
        loss_s=total,
        matched_s=matched,
        expected_s=float(scores.mean()),
        p_value=(1 + as_good) / (1 + len(scores)),
        shifts=len(scores),
    )
