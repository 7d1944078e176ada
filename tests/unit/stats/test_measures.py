"""A session's rows, each against an independent working-out; withheld where the records do not support it."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs
from msgspec.structs import replace
from scipy import stats as scipy_stats
from statsmodels.stats.proportion import proportion_confint

from support.records import any_record
from whichhop.model import Columns, Fate, Method, Record, Sample, SessionKey
from whichhop.stats.measure import Measure, taken_by
from whichhop.stats.measures import measures, stretches

SECOND, MS = 1_000_000_000, 1_000_000
START = 29_539_804 * 60 * SECOND  # 2026-03-01T18:04Z
STAMP = SessionKey(agent="desk", target="attic", method=Method.STAMP)


def minutes(samples: list[Sample], key: SessionKey = STAMP, **facts: object) -> list[Record]:
    """Samples as the records of their minutes."""
    by_minute: dict[int, list[Sample]] = {}
    for sample in samples:
        by_minute.setdefault(sample.sent_ns // (60 * SECOND), []).append(sample)
    more = {"stamps": "T1 T2 T3 T4", **facts}
    return [
        Record(session=key, minute=m, samples=Columns.of(of), **more)  # type: ignore[arg-type]
        for m, of in by_minute.items()
    ]


def answered(i: int, out_ms: float, back_ms: float, offset_ms: float = 0.0, gap_ns: int = SECOND) -> Sample:
    out, back = round(out_ms * MS), round(back_ms * MS)
    return Sample(
        sent_ns=START + i * gap_ns,
        fate=Fate.ANSWERED,
        rtt_ns=out + back,
        out_ns=out + round(offset_ms * MS),
        queue_ns=1000 * i,
    )


def by_name(records: list[Record], **more: object) -> dict[str, Measure]:
    rows = measures(records, **more)  # type: ignore[arg-type]
    assert len({r.name for r in rows}) == len(rows)
    return {r.name: r for r in rows}


def test_round_trip_variation_and_jitter_are_those_of_the_standards_worked_example() -> None:
    # RFC 5481 4.4, figure 1: delays 20 10 20 25 20 ms; the figures are rows variation-* and jitter-1 of
    # tests/data/check_values.json: mean |IPDV| 7.5, PDV's 95 % (type 1) 15, J 1.669769287109375
    rows = by_name(minutes([answered(i, d, 0) for i, d in enumerate((20, 10, 20, 25, 20))]))
    for way in ("round-trip", "out"):
        assert rows[f"pdv-{way}-95"].value == pytest.approx(0.015)
        assert rows[f"ipdv-{way}-mean"].value == pytest.approx(0.0075)
        assert rows[f"jitter-{way}"].value == pytest.approx(0.001669769287109375)
    assert rows["pdv-back-95"].value == 0
    assert rows["round-trip-least"].value == pytest.approx(0.010)
    assert rows["round-trip-50"].value == pytest.approx(0.020)
    assert rows["own-queue-most"].value == pytest.approx(4e-6)


def test_a_quantile_past_the_answered_share_is_withheld_not_shrunk_to_the_answered() -> None:
    # RFC 2681 4.1's stream (check value rtt-6): 100 110 - 90 500 ms; the 95th percentile is undefined
    samples = [answered(i, d / 2, d / 2) for i, d in enumerate((100, 110, 0, 90, 500))]
    samples[2] = Sample(sent_ns=samples[2].sent_ns, fate=Fate.LOST)
    rows = by_name(minutes(samples))
    assert rows["round-trip-50"].value == pytest.approx(0.110)
    assert rows["round-trip-95"].value is None
    assert "undefined" in rows["round-trip-95"].withheld


def test_loss_and_its_ways_carry_wilsons_interval_and_every_packet_is_accounted_for() -> None:
    fates = [Fate.LOST_OUT] * 15 + [Fate.LOST_BACK] * 7 + [Fate.LATE] * 2 + [Fate.ANSWERED] * 276
    fates += [Fate.NOT_SENT] * 3 + [Fate.ASLEEP, Fate.CLOCK_STEP, Fate.BUSY, Fate.BUSY]
    samples = [
        answered(i, 5, 5)
        if fate is Fate.ANSWERED
        else Sample(sent_ns=START + i * SECOND, fate=fate, rtt_ns=4 * SECOND if fate is Fate.LATE else None)
        for i, fate in enumerate(fates)
    ]
    rows = by_name(minutes(samples, reordered=1, duplicates=2))
    for name, lost, sent in (("loss", 24, 300), ("loss-out", 15, 300), ("loss-back", 7, 285)):
        low, high = proportion_confint(lost, sent, method="wilson")
        row = rows[name]
        assert (row.value, row.count) == (pytest.approx(lost / sent), sent)
        assert (row.low, row.high) == (pytest.approx(low), pytest.approx(high))
    assert rows["late"].value == 2
    aside = {n: rows[f"aside-{n}"].value for n in ("not-sent", "asleep", "clock-step", "busy")}
    assert aside == {"not-sent": 3, "asleep": 1, "clock-step": 1, "busy": 2}
    assert rows["loss"].count + sum(v or 0 for v in aside.values()) == len(fates)
    minutes_of_it = len(minutes(samples))
    answered_ones = 276 + 2
    assert rows["reordered"].value == pytest.approx(minutes_of_it / answered_ones)
    assert rows["duplicated"].value == pytest.approx(2 * minutes_of_it / answered_ones)


def test_a_loss_without_a_known_way_withholds_both_ways_and_bounds_them() -> None:
    samples = [answered(i, 5, 5) for i in range(100)]
    for i, fate in ((10, Fate.LOST_OUT), (20, Fate.LOST), (30, Fate.LOST)):
        samples[i] = Sample(sent_ns=samples[i].sent_ns, fate=fate)
    row = by_name(minutes(samples))["loss-out"]
    assert row.value is None
    assert "1 for certain" in row.withheld
    assert row.low == pytest.approx(proportion_confint(1, 100, method="wilson")[0])
    assert row.high == pytest.approx(proportion_confint(3, 100, method="wilson")[1])


def test_bursts_are_those_of_the_two_hundred_packet_example() -> None:
    # tests/data/check_values.json, 200 packets of 20 ms: burst density 8/19, gap density 2/181, mean burst
    # 190 ms; transitions p 1/27, r 0.7
    lost = {20, 60, 61, 63, 70, 71, 72, 120, 160, 165}
    gap = 20 * MS
    samples = [
        Sample(sent_ns=START + i * gap, fate=Fate.LOST_OUT) if i in lost else answered(i, 5, 5, gap_ns=gap)
        for i in range(1, 201)
    ]
    rows = by_name(minutes(samples))
    assert rows["burst-count"].value == 2
    assert rows["burst-density"].value == pytest.approx(8 / 19)
    assert rows["gap-density"].value == pytest.approx(2 / 181)
    assert rows["burst-length"].value == pytest.approx(0.190)
    assert rows["chain-p"].value == pytest.approx(1 / 27)
    assert rows["chain-r"].value == pytest.approx(0.7)
    assert rows["loss-periods"].value == 7
    assert rows["loss-period-longest"].value == 3


def test_losses_on_the_two_sides_of_a_pause_are_no_burst_together() -> None:
    samples = [answered(i, 5, 5, gap_ns=20 * MS) for i in range(50)]
    samples += [answered(15_000 + i, 5, 5, gap_ns=20 * MS) for i in range(50)]
    for at in (49, 50):
        samples[at] = Sample(sent_ns=samples[at].sent_ns, fate=Fate.LOST_OUT)
    rows = by_name(minutes(samples))
    assert rows["burst-count"].value == 0
    assert rows["loss-periods"].value == 2


def noisy(packets: int, offset_ms: float, seed: int = 4) -> list[Sample]:
    rng = np.random.default_rng(seed)
    return [answered(i, 5 + rng.exponential(), 5 + rng.exponential(), offset_ms) for i in range(packets)]


def test_one_way_delay_is_shown_with_both_clocks_errors_and_withheld_without() -> None:
    known = by_name(minutes(noisy(120, 0.3), clock_error_ns=MS))["one-way-out-50"]
    assert known.value == pytest.approx(0.006, abs=0.0005)
    assert "in all at most 2.000 ms" in known.how
    assert known.low is not None
    assert known.low < known.value - 0.002
    for records, why in (
        (minutes(noisy(120, 0.3)), "not known in 2 of 2 min"),
        (minutes(noisy(120, -40.0), clock_error_ns=MS), "further off than it states"),
        (minutes(noisy(60, 0) + [replace_at(s, 60) for s in noisy(60, 90)], clock_error_ns=MS), "stepped"),
    ):
        row = by_name(records)["one-way-out-50"]
        assert row.value is None
        assert why in row.withheld


def replace_at(sample: Sample, later: int) -> Sample:
    return structs.replace(sample, sent_ns=sample.sent_ns + later * SECOND)


def test_a_skewed_and_stepped_clock_is_told_and_shows_in_no_delay() -> None:
    rng = np.random.default_rng(8)
    ways = 5 + rng.exponential(size=(600, 2))
    far = [40e-6 * i * 1e3 + (250 if i >= 300 else 0) for i in range(600)]  # 40 ppm, and 250 ms at the half
    rows = by_name(
        minutes([answered(i, *ways[i], far[i]) for i in range(600)]), clock_steps_s=[0.0, 0.0, 0.25]
    )
    assert rows["skew"].value == pytest.approx(40, abs=0.5)
    assert rows["steps"].value == 1
    assert float(rows["steps"].how.split()[0]) == pytest.approx(250, abs=2)
    assert (rows["own-steps"].value, rows["own-steps"].how) == (1, "+250.0 ms")
    still = by_name(minutes([answered(i, *ways[i]) for i in range(600)]))
    for name in ("pdv-out-95", "pdv-back-95", "ipdv-out-mean", "jitter-out", "round-trip-50"):
        assert rows[name].value == pytest.approx(still[name].value, rel=0.02), name


def test_a_calls_rating_is_g107s_and_a_steady_session_has_none() -> None:
    call = SessionKey(agent="desk", target="harbour", method=Method.CALL)
    samples = [answered(i, 20, 20, gap_ns=20 * MS) for i in range(500)]
    later = [structs.replace(s, sent_ns=s.sent_ns + 300 * SECOND) for s in samples]
    rows = by_name(minutes(samples + later, call))
    assert len(stretches(Columns.of(samples + later))) == 2
    # G.107, check value: 100 ms mouth to ear (20 ms + one packet + 60 ms buffer) costs talker echo only
    assert rows["call-rating"].value == pytest.approx(91.0, abs=1.0)
    assert rows["call-rating"].count == 2
    assert by_name(minutes(samples))["call-rating"].value is None


def test_each_row_says_by_which_standard_and_who_stamped() -> None:
    mixed = minutes(noisy(120, 0))
    mixed[0] = replace(mixed[0], stamps="T1 T4")
    rows = measures(mixed)
    assert all(r.definition and r.how for r in rows)
    assert all((r.value is None) == bool(r.withheld) for r in rows)
    how = {r.name: r.how for r in rows}
    assert how["round-trip-50"].startswith("kernel T1 T4, T2 kernel in 1 of 2 min, T3 kernel in 1 of 2 min")
    assert how["pdv-out-95"].startswith("kernel T1, T2 kernel in 1 of 2 min")
    assert taken_by([replace(mixed[0], stamps="")], ("T1", "T4")) == "program T1 T4"
    assert taken_by([], ("T1",)) == "no stamps on record"


def test_echo_tells_no_way_and_says_so() -> None:
    echo = SessionKey(agent="desk", target="router", method=Method.ECHO)
    samples = [Sample(sent_ns=START + i * SECOND, fate=Fate.ANSWERED, rtt_ns=2 * MS) for i in range(30)]
    rows = by_name(minutes([*samples, Sample(sent_ns=START + 30 * SECOND, fate=Fate.LOST)], echo))
    for name in ("loss-out", "loss-back", "pdv-out-95", "pdv-back-95", "one-way-out-50", "skew", "steps"):
        assert rows[name].value is None, name
        assert rows[name].withheld, name
    assert rows["loss"].value == pytest.approx(1 / 31)


def test_no_record_has_no_measure() -> None:
    assert measures([]) == ()


@settings(max_examples=15, deadline=None)
@given(st.lists(any_record(session=STAMP), min_size=1, max_size=3))
def test_any_records_at_all_give_every_row_a_value_or_a_reason(records: list[Record]) -> None:
    rows = measures(records)
    for row in rows:
        assert (row.value is None) == bool(row.withheld), row
        assert row.value is None or math.isfinite(row.value), row
        if row.value is not None and row.low is not None and row.unit != "score":
            assert row.low <= row.value, row


def test_quantile_intervals_are_the_binomials() -> None:
    rng = np.random.default_rng(3)
    values = rng.exponential(size=199)
    rows = by_name(minutes([answered(i, 10 * v, 0) for i, v in enumerate(values)]))
    row, ordered = rows["round-trip-95"], np.sort(values) * 10 / 1e3
    low = int(scipy_stats.binom.ppf(0.025, 199, 0.95))
    high = int(scipy_stats.binom.ppf(0.975, 199, 0.95)) + 1
    assert row.low == pytest.approx(ordered[low - 1], abs=1e-9)
    assert row.high == pytest.approx(ordered[high - 1], abs=1e-9)
