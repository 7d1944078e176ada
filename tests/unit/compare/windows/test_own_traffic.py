import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from support.homes import alder
from support.windows import START_NS, quiet
from whichhop.compare.windows.own_traffic import is_known, onset_factor, stay_log_ratio, usage
from whichhop.model import Plan, Reading, derive_sessions
from whichhop.model.units import NS_PER_S

PLAN = Plan(down_bps=100_000_000, up_bps=20_000_000)


def counter(values, name="wan_tx_bytes", every=10):
    return [
        Reading(at_ns=START_NS + i * every * NS_PER_S, agent="attic", name=name, value=float(v))
        for i, v in enumerate(values)
    ]


def share(readings, ticks=6, plan=PLAN):
    return usage(readings, quiet(alder(), ticks), plan)


def test_the_share_is_bytes_times_eight_over_time_over_the_plan():
    # 10 s at 10 Mbit/s of 20 is 12.5 MB a tick: a half, by hand.
    found = share(counter(np.arange(7) * 12_500_000))
    np.testing.assert_allclose(found, 0.5)


def test_the_higher_direction_counts():
    up = counter(np.arange(7) * 2_500_000)
    down = counter(np.arange(7) * 100_000_000, "wan_rx_bytes")
    np.testing.assert_allclose(share([*up, *down]), 0.8)


def test_readings_between_tick_edges_are_shared_out():
    found = share(counter(np.arange(5) * 18_750_000, every=15))
    np.testing.assert_allclose(found, 0.5)


def test_a_last_reading_just_before_a_ticks_end_is_enough_and_a_sooner_one_is_not():
    early = [replace(r, at_ns=r.at_ns - 600_000_000) for r in counter(np.arange(8) * 12_500_000)]
    np.testing.assert_allclose(share(early[:4], ticks=3)[:3], 0.5)
    sooner = [replace(r, at_ns=r.at_ns - 2_000_000_000) for r in counter(np.arange(8) * 12_500_000)]
    assert np.isnan(share(sooner[:4], ticks=3)[2])


def test_a_wrap_of_a_32_bit_counter_is_a_wrap_and_a_reset_is_unknown():
    near = 2**32 - 5_000_000
    wrapped = [near, (near + 12_500_000) % 2**32, *((7_500_000 + 12_500_000 * i) for i in range(1, 6))]
    np.testing.assert_allclose(share(counter(wrapped)), 0.5)
    reset = [500_000_000, 512_500_000, 0, 12_500_000, 25_000_000, 37_500_000, 50_000_000]
    found = share(counter(reset))
    assert np.isnan(found[1])
    np.testing.assert_allclose(found[[0, 2, 3, 4, 5]], 0.5)


@pytest.mark.parametrize(("every", "known"), [(10, True), (60, False)])
def test_a_counter_of_32_bits_that_may_have_gone_round_unseen_tells_nothing(every, known):
    # At 1 Gbit/s 32 bits of octets are full after 34 s (RFC 2863 3.1.6): 900 Mbit/s for 60 s look like 327.
    fast = Plan(down_bps=1_000_000_000, up_bps=1_000_000_000)
    values = (np.arange(13) * every * 900_000_000 // 8) % 2**32
    found = share(counter(values, every=every), plan=fast)
    if known:
        np.testing.assert_allclose(found, 0.9, rtol=1e-6)
    else:
        assert np.isnan(found).all()
    # Of 64 bits it tells all the same.
    wide = share(counter(2**33 + np.arange(13) * every * 112_500_000, every=every), plan=fast)
    np.testing.assert_allclose(wide, 0.9, rtol=1e-6)


def crossed(readings, ticks=12):
    home = alder()
    return usage(readings, quiet(home, ticks), PLAN, derive_sessions(home))


def test_a_counter_that_stands_still_while_our_own_packets_cross_the_line_tells_nothing():
    # Any counter of octets counts each packet that passes it (RFC 2863, ifOutOctets), ours too.
    assert np.isnan(crossed(counter(np.full(13, 5_000_000)))).all()
    moving = crossed(counter(5_000_000 + 800 * np.arange(13)))
    assert (moving < 0.001).all()


def test_a_counter_that_is_renewed_each_half_minute_is_read_at_its_own_pace():
    # Asked each 10 s, it tells the same three times and then 37.5 MB more: 10 of 20 Mbit/s, by hand.
    found = crossed(counter(37_500_000 * (np.arange(13) // 3)))
    np.testing.assert_allclose(found, 0.5)


def test_an_idle_way_is_no_idle_line_while_the_other_ways_counter_tells_nothing():
    idle = counter(800 * np.arange(13), "wan_tx_bytes")
    stuck = counter(np.full(13, 7_000_000), "wan_rx_bytes")
    assert np.isnan(crossed([*idle, *stuck])).all()
    assert (crossed(idle) < 0.001).all()


def test_nothing_is_known_outside_the_readings_across_long_gaps_and_without_a_plan():
    assert np.isnan(share(counter([0, 12_500_000]))[1:]).all()
    assert np.isnan(share(counter([0, 1_000_000], every=600))).all()
    assert np.isnan(share(counter(np.arange(7)), plan=None)).all()


@given(st.lists(st.floats(0, 1.2), min_size=2, max_size=20))
def test_more_use_never_speaks_less_for_own_traffic(shares):
    rising = np.sort(np.array(shares))
    assert (np.diff(onset_factor(rising)) >= 0).all()
    assert (np.diff(stay_log_ratio(rising)) >= 0).all()


def test_unknown_use_says_nothing():
    assert onset_factor(np.array([np.nan]))[0] == pytest.approx(1.0)
    assert stay_log_ratio(np.array([np.nan]))[0] == 0.0


def test_own_traffic_is_known_of_a_stretch_when_half_of_it_was_counted() -> None:
    nan = np.nan
    assert is_known(np.array([0.1, nan]))
    assert is_known(np.array([0.0]))
    assert not is_known(np.array([0.1, nan, nan]))
    assert not is_known(np.array([]))
