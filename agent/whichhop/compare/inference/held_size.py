"""How well a delay explains ticks whose size need not be guessed anew in each, since it is what it was.

Delays only: loss held so as well named radios that lose one packet in a hundred. On fresh seeds of
three recipes it made three false verdicts of one in eight days, and named no fault more.
"""

import numpy as np

from whichhop.compare.inference.baseline import Floats

HELD = 0.5
"""In half of its ticks an excess has the size it had before; in the others any. No source; not swept."""
TEMPER = 0.5
"""Ticks of one fault are not independent, so each counts for half, as in `members.shape_odds`."""
MEMORY_TICKS = 30
"""Its size is what it was in the last five minutes, the mean length of a fault. Not swept."""


def held(values: Floats, without: Floats, divisor: int, lowest: np.float32) -> Floats:
    """Log-ratios of an excess of any size or of that held before, (..., ticks).

    values: (sizes, ..., ticks) log-ratios by size, -inf where a size is impossible. without: (..., ticks) the
    log-ratio of what goes on without it. divisor: how many sizes there are, impossible ones that are left
    out of `values` included. The size is told by the ticks before, by as much as they need it.
    """
    if not values.shape[0]:
        return np.full(values.shape[1:], lowest, dtype=np.float32)
    # In place where it can be: arrays of a long stretch are so large that new ones cost more than their work.
    past = np.empty_like(values)
    past[..., 0] = 0.0
    need = values[..., :-1] - without[..., :-1]
    np.cumsum(np.maximum(need, np.float32(0.0), out=need), axis=-1, out=past[..., 1:])
    if past.shape[-1] > MEMORY_TICKS:
        past[..., MEMORY_TICKS:] -= past[..., :-MEMORY_TICKS].copy()
    past *= np.float32(TEMPER)
    best = past.max(axis=0)
    past -= best
    weight = np.exp(past, out=past)
    others = np.float32(divisor - values.shape[0]) * np.exp(-best)
    top = np.maximum(values.max(axis=0), lowest)
    plain = values - top
    np.exp(plain, out=plain)
    flat = plain.sum(axis=0) * np.float32((1.0 - HELD) / divisor)
    weighed = np.einsum("v...,v...->...", plain, weight) / (weight.sum(axis=0) + others)
    with np.errstate(divide="ignore"):
        out = np.log(flat + np.float32(HELD) * weighed) + top
    return np.asarray(np.maximum(out, lowest), dtype=np.float32)
