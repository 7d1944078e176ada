import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.record_windows import table_of
from whichhop.compare.windows.filling import Cutter, quantiles_by_tick, table_of_histograms
from whichhop.compare.windows.table import SLOW_S, TAIL_CAP_S
from whichhop.model import Columns, Fate, Method, Record, Sample, SessionKey
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S

KEY = SessionKey(agent="desk", target="router", method=Method.STAMP)


def record(minute, fates, rtt_ms=lambda i: 5.0 + i):
    samples = []
    for i, fate in enumerate(fates):
        rtt = int(rtt_ms(i) * 1e6) if fate in (Fate.ANSWERED, Fate.LATE) else None
        samples.append(Sample(sent_ns=minute * NS_PER_MINUTE + i * NS_PER_S, fate=fate, rtt_ns=rtt))
    return Record(session=KEY, minute=minute, samples=Columns.of(samples))


def test_every_packet_is_counted_once_in_the_tick_of_its_sending():
    fates = [Fate.ANSWERED] * 60
    fates[3], fates[14], fates[15], fates[16] = Fate.LOST_OUT, Fate.LOST_BACK, Fate.LATE, Fate.LOST
    fates[25], fates[26] = Fate.ASLEEP, Fate.NOT_SENT
    table = table_of([record(100, fates)])
    assert table.sent[:, 0].tolist() == [10, 10, 8, 10, 10, 10]
    assert table.lost[:, 0].tolist() == [1, 3, 0, 0, 0, 0]
    assert table.lost_out[:, 0].tolist() == [1, 0, 0, 0, 0, 0]
    assert table.lost_back[:, 0].tolist() == [0, 1, 0, 0, 0, 0]
    assert table.aside[:, 0].tolist() == [0, 0, 2, 0, 0, 0]


def test_a_tick_with_two_answers_has_no_quantile():
    fates = [Fate.LOST] * 8 + [Fate.ANSWERED] * 52
    table = table_of([record(1, fates)])
    assert np.isnan(table.q50_s[0, 0])
    assert np.isfinite(table.q50_s[1:, 0]).all()


def test_quantiles_are_numpys_linear_ones():
    rng = np.random.default_rng(5)
    values = rng.exponential(10.0, 60)
    table = table_of([record(7, [Fate.ANSWERED] * 60, lambda i: values[i])])
    for tick in range(6):
        part = np.floor(values[10 * tick : 10 * tick + 10] * 1e6) / 1e9
        assert table.q50_s[tick, 0] == pytest.approx(np.quantile(part, 0.5), rel=1e-6)
        assert table.q80_s[tick, 0] == pytest.approx(np.quantile(part, 0.8), rel=1e-6)


@given(st.lists(st.tuples(st.integers(0, 4), st.integers(0, 1000)), max_size=60))
def test_quantiles_by_tick_agree_with_numpy_for_any_filling(pairs):
    tick = np.array([t for t, _ in pairs], dtype=np.int64)
    value = np.array([v for _, v in pairs], dtype=np.int64)
    q50, q80, _, _, count = quantiles_by_tick(tick, value, 5)
    for t in range(5):
        part = value[tick == t]
        assert count[t] == part.size
        if part.size:
            assert q50[t] == pytest.approx(np.quantile(part, 0.5))
            assert q80[t] == pytest.approx(np.quantile(part, 0.8))


@given(st.lists(st.tuples(st.integers(0, 4), st.integers(0, 900_000_000)), max_size=60))
def test_tails_and_slow_answers_are_what_their_definition_gives_tick_by_tick(pairs):
    tick = np.array([t for t, _ in pairs], dtype=np.int64)
    value = np.array([v for _, v in pairs], dtype=np.int64)
    _, _, tail, slow, _ = quantiles_by_tick(tick, value, 5)
    for t in range(5):
        part = value[tick == t]
        if part.size:
            over = part - np.quantile(part, 0.5)
            assert tail[t] == pytest.approx(np.clip(over, 0, TAIL_CAP_S * 1e9).mean(), abs=1.0)
            assert abs(int(slow[t]) - int((over >= SLOW_S * 1e9).sum())) <= int((over == SLOW_S * 1e9).sum())


def test_a_tail_survives_half_precision_and_pieces():
    records = [
        record(m, [Fate.ANSWERED] * 60, lambda i: 5.0 + (40.0 if i % 5 == 0 else 0.0)) for m in range(3)
    ]
    table = table_of(records)
    # Two of ten answers 40 ms above the median: 8 ms on average.
    np.testing.assert_allclose(table.tail_s[:, 0], 0.008, rtol=1e-3)
    assert table.slow[:, 0].tolist() == [2] * 18


def test_histograms_give_coarse_tails():
    bounds = (0.005, 0.01, 0.025, 0.05, 0.1)
    buckets = np.zeros((1, 1, 6), dtype=np.int64)
    buckets[0, 0, 1], buckets[0, 0, 4] = 80, 20
    table = table_of_histograms(
        [KEY], start_ns=0, step_ns=60 * NS_PER_S, bounds_s=bounds, buckets=buckets, lost=np.array([[0]])
    )
    # 80 answers between 5 and 10 ms, 20 between 50 and 100: the median is 8.1 ms, the mean of those 20 is 75.
    assert table.slow[0, 0] == 20
    assert table.tail_s[0, 0] == pytest.approx(0.2 * (0.075 - 0.0081) + 0.5 * 0.001, abs=0.002)


def test_cutting_in_pieces_gives_the_same_as_cutting_at_once():
    records = [record(m, [Fate.ANSWERED] * 59 + [Fate.LOST], lambda i, m=m: m + i) for m in range(5)]
    whole = table_of(records)
    pieces = Cutter([KEY], start_ns=0, end_ns=5 * NS_PER_MINUTE)
    for one in records:
        pieces.add([one])
    for name in ("sent", "lost", "slow", "q50_s", "q80_s", "tail_s"):
        np.testing.assert_array_equal(getattr(whole, name), getattr(pieces.table, name))


def test_samples_outside_the_span_are_passed_over():
    table = table_of([record(9, [Fate.ANSWERED] * 60)], start_ns=0, end_ns=NS_PER_MINUTE)
    assert int(table.sent.sum()) == 0


def test_a_tick_that_cuts_records_is_refused():
    with pytest.raises(ValueError, match="divides a minute"):
        Cutter([KEY], start_ns=0, end_ns=NS_PER_MINUTE, step_ns=7 * NS_PER_S)


def test_no_records_give_an_empty_table():
    assert table_of([]).ticks == 0


def test_histogram_quantiles_are_linear_inside_their_bucket():
    # 10 answers: 4 up to 10 ms, 6 in 10..20 ms. The median is the fifth: one sixth into the bucket.
    buckets = np.array([[[4, 6, 0]]])
    table = table_of_histograms(
        [KEY],
        start_ns=0,
        step_ns=NS_PER_MINUTE,
        bounds_s=[0.010, 0.020],
        buckets=buckets,
        lost=np.array([[2]]),
    )
    assert table.coarse
    assert table.sent[0, 0] == 12
    assert table.q50_s[0, 0] == pytest.approx(0.010 + 0.010 / 6)
    assert table.q80_s[0, 0] == pytest.approx(0.010 + 0.010 * 4 / 6)
