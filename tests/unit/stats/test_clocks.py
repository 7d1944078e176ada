"""Drift and steps of skewed clocks are taken out of both ways; queues stay where they were."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from whichhop.model import Columns, Fate, Sample
from whichhop.stats.clocks import above_fastest, free_ways
from whichhop.stats.delay import DelayArrays, delay_arrays, ipdv

SECOND, MS, US = 1_000_000_000, 1_000_000, 1_000
START = 1_772_388_240 * SECOND


def columns(
    *,
    packets: int = 300,
    ppm: float = 0.0,
    offset_ns: int = 0,
    step: tuple[int, int] | None = None,
    seed: int = 1,
    gap_ns: int = SECOND,
    lost: float = 0.02,
) -> tuple[Columns, np.ndarray, np.ndarray]:
    """A session over 5 ms each way with exponential queues, seen by clocks that disagree; and the truth."""
    rng = np.random.default_rng(seed)
    out = 5 * MS + rng.exponential(MS, packets)
    back = 5 * MS + rng.exponential(MS, packets)
    samples = []
    for i in range(packets):
        sent = START + i * gap_ns
        if rng.random() < lost:
            samples.append(Sample(sent_ns=sent, fate=Fate.LOST_OUT))
            continue
        disagree = offset_ns + ppm * 1e-6 * i * gap_ns
        if step is not None and i >= step[0]:
            disagree += step[1]
        rtt = round(out[i] + back[i])
        samples.append(Sample(sent_ns=sent, fate=Fate.ANSWERED, rtt_ns=rtt, out_ns=round(out[i] + disagree)))
    return Columns.of(samples), out, back


@settings(max_examples=25, deadline=None)
@given(
    ppm=st.floats(-100, 100),
    offset_ns=st.integers(-(10**12), 10**12),
    seed=st.integers(0, 10_000),
)
def test_whatever_the_clocks_do_the_variation_of_each_way_is_the_queues(
    ppm: float, offset_ns: int, seed: int
) -> None:
    cols, out, back = columns(ppm=ppm, offset_ns=offset_ns, seed=seed)
    arrays = delay_arrays(cols)
    freed = free_ways(arrays)
    assert freed.steps == ()
    assert freed.drift is not None
    # two hulls under 300 exponential queues of 1 ms over 300 s: some 10 us of slope error, 0.1 ppm
    assert freed.drift.rate * 1e6 == pytest.approx(ppm, abs=0.4)
    assert freed.drift.low <= freed.drift.rate <= freed.drift.high
    there = np.isfinite(freed.out_ns)
    for freed_way, truth in ((freed.out_ns, out), (freed.back_ns, back)):
        seen = above_fastest(freed_way, freed.segments)[there]
        real = (truth - truth[there].min())[there]
        # what the line is wrong by, at the ends; uncorrected, 100 ppm would add 30 ms
        assert np.abs(seen - real).max() < 0.15 * MS


@settings(max_examples=15, deadline=None)
@given(
    jump_ms=st.sampled_from([-500, -30, 30, 2_000]),
    at=st.integers(60, 240),
    ppm=st.floats(-50, 50),
    seed=st.integers(0, 1000),
)
def test_a_step_cuts_the_session_and_never_shows_as_delay(
    jump_ms: int, at: int, ppm: float, seed: int
) -> None:
    cols, out, _ = columns(ppm=ppm, step=(at, jump_ms * MS), seed=seed)
    freed = free_ways(delay_arrays(cols))
    assert [abs(s.index - at) <= 4 for s in freed.steps] == [True]
    assert freed.steps[0].jump_ns == pytest.approx(jump_ms * MS, abs=3 * MS)
    assert [s.start for s in freed.segments] == [0, freed.steps[0].index]
    seen = above_fastest(freed.out_ns, freed.segments)
    # a packet or two at the edge may fall on the wrong side; none of the others shows the jump
    assert np.quantile(seen[np.isfinite(seen)], 0.97) < out.max()


@pytest.mark.parametrize(("grows_ns", "told"), [(15 * US, True), (60 * US, False)])
def test_a_queue_that_grows_one_way_widens_the_bounds_of_the_drift_or_hides_it(
    grows_ns: int, told: bool
) -> None:
    cols, _, _ = columns(lost=0.0)
    arrays = delay_arrays(cols)
    grows = grows_ns * np.arange(300)  # on the way out alone, each second so much more
    queued = DelayArrays(
        sent_ns=arrays.sent_ns,
        round_trip_ns=arrays.round_trip_ns + grows,
        out_ns=arrays.out_ns + grows,
        back_ns=arrays.back_ns,
        has_ways=True,
    )
    freed = free_ways(queued)
    if told:
        assert freed.drift is not None
        assert freed.drift.high - freed.drift.low == pytest.approx(grows_ns / SECOND, abs=1e-6)
        assert freed.drift.low - 1e-6 < 0 < freed.drift.high  # the truth, no drift at all, is within
    else:
        assert freed.drift is None
        assert (freed.out_ns == queued.out_ns).all()


def test_drift_over_hours_is_followed_without_jumps_between_its_pieces() -> None:
    cols, out, _ = columns(packets=3 * 1800, ppm=20.0, gap_ns=4 * SECOND, lost=0.0, seed=3)  # six hours
    freed = free_ways(delay_arrays(cols))
    wrong = (freed.out_ns - freed.out_ns.min()) - (out - out.min())
    assert np.abs(wrong).max() < 0.1 * MS
    assert np.nanmax(np.abs(ipdv(freed.out_ns) - ipdv(out))) < 0.02 * MS


def test_too_short_a_session_keeps_its_delays_as_they_are() -> None:
    cols, _, _ = columns(packets=30, ppm=80.0, lost=0.0)
    arrays = delay_arrays(cols)
    freed = free_ways(arrays)
    assert freed.drift is None
    assert (freed.out_ns == arrays.out_ns).all()


def test_echo_empty_all_lost_and_set_aside_input_pass_through() -> None:
    echo = Columns.of([Sample(sent_ns=START + i * SECOND, fate=Fate.ANSWERED, rtt_ns=MS) for i in range(90)])
    lost = Columns.of([Sample(sent_ns=START + i * SECOND, fate=Fate.LOST) for i in range(90)])
    aside = Columns.of([Sample(sent_ns=START, fate=Fate.ASLEEP)])
    for cols, segments in ((echo, 1), (lost, 1), (aside, 0), (Columns(), 0)):
        freed = free_ways(delay_arrays(cols))
        assert (freed.steps, freed.drift, len(freed.segments)) == ((), None, segments)
        assert all(math.isinf(v) for v in above_fastest(freed.out_ns, freed.segments))
