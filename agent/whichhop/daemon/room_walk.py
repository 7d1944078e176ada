"""Measures one room: a stream of test packets to a node of the home, and what they say in figures."""

import asyncio
import math
from collections.abc import Callable, Sequence

from whichhop.model import Fate, Sample, SessionKey
from whichhop.model.units import NS_PER_S, MonoNs
from whichhop.net.clock import Clock
from whichhop.probes.base import Prober
from whichhop.stats.ordered import quantile_of
from whichhop.wire.flight import WAIT_NS

GAP_S = 0.1
"""Ten packets a second inside the home: 300 in half a minute, so 1 % of loss is three packets."""
LEAST = 6
"""Fewer answers give no interval of a median at 95 %: 1 - 2 x 0.5**6 is the first over it."""

Tell = Callable[[float, int, int], None]
"""Told how many seconds have passed, and how many packets were answered and lost so far."""


async def listen(
    prober: Prober,
    key: SessionKey,
    address: str,
    *,
    seconds: float,
    clock: Clock,
    tell: Tell,
    samples: list[Sample],
) -> None:
    """Send for `seconds`, then wait until the last packet's fate is said.

    samples: where the prober's sink puts them, so that `tell` can count; the prober is open already.
    """
    start = clock.mono_ns()
    count = max(1, round(seconds / GAP_S))
    for number in range(count):
        due = start + round(number * GAP_S * NS_PER_S)
        await asyncio.sleep(max(0.0, (due - clock.mono_ns()) / NS_PER_S))
        prober.send(key, address)
        prober.expire(clock.mono_ns())
        tell(number * GAP_S, *_counted(samples))
    end = clock.mono_ns() + WAIT_NS + NS_PER_S // 5
    while len(samples) < count and clock.mono_ns() < end:
        await asyncio.sleep(0.05)
        prober.expire(MonoNs(clock.mono_ns()))
    prober.expire(MonoNs(clock.mono_ns() + WAIT_NS))
    tell(seconds, *_counted(samples))


def _counted(samples: Sequence[Sample]) -> tuple[int, int]:
    return sum(s.fate is Fate.ANSWERED for s in samples), sum(s.fate.lost for s in samples)


def median_ranks(count: int) -> tuple[int, int] | None:
    """The places, from 0, of the order statistics that hold the median with 95 % confidence or more.

    The binomial's exact tails (Hettmansperger and McKean, distribution-free interval): the largest r with
    P(B < r) <= 2.5 % for B of `count` halves. None under LEAST.
    """
    if count < LEAST:
        return None
    tail, term, r = 0.0, 0.5**count if count < 1000 else 0.0, 0
    if term == 0.0:  # the first terms are too small for floats: the normal curve does
        r = math.floor(count / 2 - 0.98 * math.sqrt(count))
        return r - 1, count - r
    while tail + term <= 0.025:
        tail += term
        term *= (count - r) / (r + 1)
        r += 1
    return r - 1, count - r


def figures_of(samples: Sequence[Sample]) -> dict[str, float | int | None]:
    """The figures of `model.room.RoomResult` that packets give."""
    trips = sorted(s.rtt_ns / NS_PER_S for s in samples if s.fate is Fate.ANSWERED and s.rtt_ns is not None)
    spoke = [s for s in samples if not s.fate.set_aside]
    ranks = median_ranks(len(trips))
    return {
        "sent": len(spoke),
        "lost": sum(s.fate.lost for s in spoke),
        "unsent": sum(s.fate is Fate.NOT_SENT for s in samples),
        "p50_s": quantile_of(trips, 0.5) if trips else None,
        "p50_low_s": trips[ranks[0]] if ranks else None,
        "p50_high_s": trips[ranks[1]] if ranks else None,
        "p95_s": quantile_of(trips, 0.95) if len(trips) >= 20 else None,
    }
