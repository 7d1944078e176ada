"""A claim's figures against statsmodels, printed tables, and counting again packet by packet."""

import statistics

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from support.reported import judged_story, recorded
from whichhop.claim.claim import claim_of
from whichhop.claim.figures import loss_figure, median_interval
from whichhop.model import Fate
from whichhop.stats.difference import design_effect


def test_without_bursts_the_interval_is_wilsons() -> None:
    # Losses spread evenly: the design effect is 1 at least, so nothing widens the interval.
    sent, lost = np.full(100, 40), np.full(100, 2)
    figure = loss_figure("x", "x", sent, lost)
    low, high = proportion_confint(200, 4000, method="wilson")
    assert figure.value == 0.05
    assert (figure.low, figure.high) == pytest.approx((low, high), rel=1e-9)


def test_losses_that_all_come_together_count_as_few() -> None:
    # Kish 1965: with clusters of m alike members the effect is m, so 4,000 packets say what 100 would.
    sent = np.full(100, 40)
    lost = np.where(np.arange(100) % 20 == 0, 40, 0)
    assert design_effect(lost.tolist(), sent.tolist()) == pytest.approx(40 * 100 / 99)
    figure = loss_figure("x", "x", sent, lost)
    low, high = proportion_confint(5, 99, method="wilson")
    assert (figure.low, figure.high) == pytest.approx((low, high), rel=0.01)


@given(st.lists(st.tuples(st.integers(0, 50), st.integers(0, 50)), min_size=1, max_size=40))
def test_an_interval_holds_its_value_and_lies_between_0_and_1(rows: list[tuple[int, int]]) -> None:
    sent = np.array([max(a, b) for a, b in rows])
    lost = np.array([min(a, b) for a, b in rows])
    figure = loss_figure("x", "x", sent, lost)
    if not sent.sum():
        assert figure.value is figure.low is figure.high is None
        return
    assert figure.value is not None
    assert figure.low is not None
    assert figure.high is not None
    assert 0 <= figure.low <= figure.value <= figure.high <= 1


@pytest.mark.parametrize(
    # Ranks of the sign test's 95 % interval for a median, as printed in tables (Conover 1999, table A3).
    ("count", "first", "last"),
    [(6, 1, 6), (8, 1, 8), (9, 2, 8), (10, 2, 9), (12, 3, 10), (15, 4, 12), (20, 6, 15), (25, 8, 18)],
)
def test_a_medians_interval_takes_the_printed_ranks(count: int, first: int, last: int) -> None:
    values = np.arange(1, count + 1, dtype=float)
    np.random.default_rng(1).shuffle(values)
    assert median_interval(values) == (first, last)


@pytest.mark.parametrize("count", [0, 1, 5])
def test_too_few_values_have_no_interval(count: int) -> None:
    assert median_interval(np.arange(count, dtype=float)) is None


def test_loss_over_the_line_comes_out_the_same_counted_packet_by_packet() -> None:
    span, _ = judged_story("upstream-link")
    claim, _, ticks, crossing = claim_of(span)
    assert claim is not None
    keys = {span.sessions[i].key: i for i in crossing}
    sent = lost = 0
    for record in recorded("upstream-link")[0]:
        if record.session not in keys:
            continue
        for sample in record.samples:
            tick = (sample.sent_ns - span.table.start_ns) // span.table.step_ns
            if ticks[tick] and span.speaks[tick, keys[record.session]] and not sample.fate.set_aside:
                sent += 1
                lost += sample.fate.lost
    figure = next(f for f in claim.figures if f.name == "line-loss")
    assert (figure.count, figure.value) == (sent, lost / sent)


def test_added_delay_comes_out_the_same_by_plain_medians() -> None:
    span, _ = judged_story("upstream-link")
    claim, _, ticks, crossing = claim_of(span)
    assert claim is not None
    keys = {span.sessions[i].key: i for i in crossing}
    trips: dict[tuple[int, int], list[float]] = {}
    for record in recorded("upstream-link")[0]:
        for sample in record.samples if record.session in keys else ():
            tick = (sample.sent_ns - span.table.start_ns) // span.table.step_ns
            if sample.fate is Fate.ANSWERED and sample.rtt_ns is not None:
                trips.setdefault((tick, keys[record.session]), []).append(sample.rtt_ns * 1e-9)
    spoken = {place: statistics.median(v) for place, v in trips.items() if len(v) >= 3 and span.speaks[place]}
    quiet = {
        i: statistics.median(v for (t, j), v in spoken.items() if j == i and span.quiet[t]) for i in crossing
    }
    per_tick: dict[int, list[float]] = {}
    for (tick, i), value in spoken.items():
        if ticks[tick]:
            per_tick.setdefault(tick, []).append(value - quiet[i])
    wanted = statistics.median(statistics.median(v) for v in per_tick.values())
    figure = next(f for f in claim.figures if f.name == "line-added")
    assert figure.value == pytest.approx(wanted, rel=1e-5)
    assert figure.count == len(per_tick)
