"""When a transfer's rate has settled, and what it is: counted octets cut into equal slots. Pure."""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, median

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
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
