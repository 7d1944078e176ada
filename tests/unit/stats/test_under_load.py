"""Delay before, during and after a transfer, from one stream of packets."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.records import any_sample
from whichhop.model import Fate, Sample
from whichhop.stats.responsiveness import under_load

MS = 1_000_000
BEGIN, END = 1_000 * MS, 3_000 * MS


def stream() -> list[Sample]:
    """20 a second for 5 s: 20 ms before, 120 ms during, 20 ms after; each tenth lost during."""
    out = []
    for number in range(100):
        at = number * 50 * MS
        during = BEGIN <= at < END
        lost = during and number % 10 == 0
        out.append(
            Sample(
                sent_ns=at,
                fate=Fate.LOST if lost else Fate.ANSWERED,
                rtt_ns=None if lost else (120 if during else 20) * MS,
            )
        )
    return out


def test_the_three_stretches_are_told_apart() -> None:
    load = under_load(stream(), "harbour", begin_ns=BEGIN, end_ns=END)
    assert (load.before_s, load.during_s, load.after_s) == (0.02, 0.12, 0.02)
    assert load.added_s == pytest.approx(0.1)


def test_loss_is_that_of_the_transfer_alone() -> None:
    load = under_load(stream(), "harbour", begin_ns=BEGIN, end_ns=END)
    assert (load.sent, load.lost) == (34, 3)


def test_round_trips_a_minute_are_sixty_seconds_by_the_mean_round_trip() -> None:
    load = under_load(stream(), "harbour", begin_ns=BEGIN, end_ns=END)
    assert load.trips_per_minute == pytest.approx(500)  # 60 / 0.12


def test_samples_set_aside_count_nowhere_and_nothing_answered_is_unknown() -> None:
    aside = [Sample(sent_ns=s.sent_ns, fate=Fate.BUSY, rtt_ns=9_000 * MS) for s in stream()]
    load = under_load([*aside, *stream()], "harbour", begin_ns=BEGIN, end_ns=END)
    assert load.during_s == 0.12
    silent = under_load(aside, "harbour", begin_ns=BEGIN, end_ns=END)
    assert (silent.before_s, silent.during_s, silent.added_s, silent.trips_per_minute) == (None,) * 4
    assert silent.sent == 0


@given(st.lists(any_sample(), max_size=60), st.integers(0, 2**62), st.integers(0, 10**11))
def test_any_samples_at_all_give_figures_that_fit_together(
    samples: list[Sample], begin_ns: int, lasted_ns: int
) -> None:
    load = under_load(samples, "harbour", begin_ns=begin_ns, end_ns=begin_ns + lasted_ns)
    assert 0 <= load.lost <= load.sent <= len(samples)
    if load.added_s is not None:
        assert load.before_s is not None
        assert load.during_s is not None
