"""One room in figures: held against numpy's quantiles and scipy's binomial distribution."""

import asyncio

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from whichhop.daemon.room_walk import GAP_S, LEAST, figures_of, listen, median_ranks
from whichhop.model import Fate, Method, Sample, SessionKey
from whichhop.net.clock import SystemClock

KEY = SessionKey(agent="desk", target="router", method=Method.STAMP)


def sample(fate: Fate, ms: float | None = None) -> Sample:
    return Sample(sent_ns=1, fate=fate, rtt_ns=None if ms is None else round(ms * 1e6))


@given(st.lists(st.floats(0.1, 900), min_size=1, max_size=400))
def test_quantiles_are_numpys_linear_ones(trips: list[float]) -> None:
    found = figures_of([sample(Fate.ANSWERED, t) for t in trips])
    seconds = np.array([round(t * 1e6) for t in trips]) / 1e9
    assert found["p50_s"] == pytest.approx(np.quantile(seconds, 0.5))
    if len(trips) >= 20:
        assert found["p95_s"] == pytest.approx(np.quantile(seconds, 0.95))


@pytest.mark.parametrize("count", [6, 7, 20, 99, 300, 999, 1500, 6000])
def test_the_medians_interval_covers_what_it_promises_and_little_more(count: int) -> None:
    ranks = median_ranks(count)
    assert ranks is not None
    low, high = ranks
    # The median lies between order statistics low+1 and high+1 (from 1) unless B, the number of values under
    # it, is at most `low` or over `high`: B is binomial with one half (whatever the law).
    outside = binom.cdf(low, count, 0.5) + binom.sf(high, count, 0.5)
    assert outside <= 0.0505  # 1000 and up by the normal curve
    closer = binom.cdf(low + 1, count, 0.5) + binom.sf(high - 1, count, 0.5)
    assert closer > 0.0495
    assert median_ranks(LEAST - 1) is None


def test_every_packet_has_one_place() -> None:
    fates = [Fate.ANSWERED] * 5 + [Fate.LOST, Fate.LATE, Fate.LOST_OUT, Fate.NOT_SENT, Fate.ASLEEP]
    found = figures_of([sample(f, 2.0 if f is Fate.ANSWERED else None) for f in fates])
    assert (found["sent"], found["lost"], found["unsent"]) == (8, 3, 1)
    assert found["p50_s"] == 0.002
    assert found["p50_low_s"] is None  # five answers hold no interval


class Echoing:
    """A prober that answers at once, but for every third packet, which it loses when given up."""

    method = Method.STAMP

    def __init__(self, samples: list[Sample]) -> None:
        self.samples, self.sent = samples, 0
        self.waiting = 0

    def send(self, key: SessionKey, address: str) -> None:
        self.sent += 1
        if self.sent % 3:
            self.samples.append(sample(Fate.ANSWERED, 1.0))
        else:
            self.waiting += 1

    def gather(self) -> None: ...

    def unanswered(self, before_ns: int) -> tuple[()]:
        return ()

    def expire(self, now_ns: int) -> None:
        if self.sent >= 5:
            self.samples += [sample(Fate.LOST)] * self.waiting
            self.waiting = 0


@pytest.mark.slow
def test_packets_go_out_in_their_rhythm_and_every_fate_is_waited_for() -> None:
    samples: list[Sample] = []
    told: list[tuple[float, int, int]] = []
    prober = Echoing(samples)
    clock = SystemClock()
    began = clock.mono_ns()
    asyncio.run(
        listen(
            prober,  # type: ignore[arg-type] # the parts of a prober that are used
            KEY,
            "192.0.2.1",
            seconds=0.6,
            clock=clock,
            tell=lambda *seen: told.append(seen),
            samples=samples,
        )
    )
    assert prober.sent == 6
    assert (clock.mono_ns() - began) / 1e9 >= 5 * GAP_S
    assert told[-1] == (0.6, 4, 2)
    assert [t[0] for t in told] == sorted(t[0] for t in told)
