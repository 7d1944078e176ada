import numpy as np
import pytest

from whichhop.compare.inference.evidence import LOWEST
from whichhop.compare.inference.transients import LOG_MINOR, BlipRates, none_log, passing_log, quiet_log
from whichhop.compare.suspects.elements import Nature
from whichhop.compare.suspects.priors import PRIORS

RADIO, WIRED = PRIORS[Nature.RADIO], PRIORS[Nature.ETHERNET]


def loud_at(ticks, every):
    ratios = np.full((ticks, 2), -5.0, dtype=np.float32)
    ratios[5::every, 0] = 20.0
    return ratios


def test_blips_are_learnt_toward_what_is_seen():
    blips = BlipRates([RADIO, WIRED], 10.0)
    blips.learn(loud_at(20_000, 50))
    # Seen 0.02 a tick in 20,000, default 0.008 for 2,000: (400 + 16) / 22,000, by hand.
    assert blips.rates()[0] == pytest.approx(416 / 22_000, rel=0.01)


def test_a_rate_stays_between_a_third_of_the_default_and_its_cap():
    blips = BlipRates([RADIO, WIRED], 10.0)
    blips.learn(loud_at(200_000, 10))
    rates = blips.rates()
    assert rates[0] == RADIO.blip_cap
    assert rates[1] == pytest.approx(WIRED.blip / 3)


def test_trouble_of_two_ticks_is_no_blip():
    blips = BlipRates([RADIO, WIRED], 10.0)
    ratios = loud_at(20_000, 50)
    ratios[6::50, 0] = 20.0
    blips.learn(ratios)
    assert blips.rates()[0] < RADIO.blip


def test_a_quiet_tick_costs_what_a_passing_excess_would_have_been_worth():
    rates = np.array([0.01, 0.001])
    none = none_log(np.array([True, False]), rates)
    assert none == pytest.approx(np.log(0.99 * 0.999 * 0.98))
    calm = np.full((1, 2), LOWEST, dtype=np.float32)
    assert quiet_log(passing_log(calm, calm, rates), none)[0] == pytest.approx(none)


def test_a_loud_tick_without_a_fault_is_a_blip_or_a_minor_excess():
    rates = np.array([0.01, 0.001])
    ratios = np.array([[20.0, -5.0]], dtype=np.float32)
    minor = np.array([[22.0, LOWEST]], dtype=np.float32)
    found = quiet_log(passing_log(ratios, minor, rates), none_log(np.array([True, False]), rates))
    wanted = np.logaddexp(20.0 + np.log(0.01), 22.0 + LOG_MINOR)
    assert found[0] == pytest.approx(wanted, abs=1e-3)
