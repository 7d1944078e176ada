import itertools

import numpy as np
import pytest

from whichhop.compare.inference.evidence import LOWEST
from whichhop.compare.inference.transients import (
    LASTING_RATE,
    LASTING_TICKS,
    LOG_MINOR,
    BlipRates,
    lasting_log,
    none_log,
    passing_log,
    quiet_log,
)
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


def test_a_minor_excess_that_lasts_is_the_chain_that_every_path_summed_gives():
    """Against the definition of a hidden Markov chain (Rabiner 1989, eq. 17): all paths, one by one."""
    quiet, none = np.array([-1.0, 0.5, -3.0, 2.0]), -0.2
    minor = np.array([[3.0, LOWEST, -2.0], [4.0, LOWEST, 1.0], [5.0, LOWEST, -1.0], [-4.0, LOWEST, 3.0]])
    begin, end = LASTING_RATE, 1.0 / LASTING_TICKS
    step = {(None, None): 1 - 2 * begin}
    for e in (0, 2):
        step |= {(None, e): begin, (e, e): 1 - end, (e, None): end, (e, 2 - e): 0.0}
    total = 0.0
    for path in itertools.product((None, 0, 2), repeat=4):
        chance = 1.0
        for t, (before, now) in enumerate(itertools.pairwise((None, *path))):
            chance *= step[before, now] * np.exp(quiet[t] if now is None else minor[t, now] + none)
        total += chance
    found = lasting_log(quiet, minor.astype(np.float32), none)
    assert found.sum() == pytest.approx(np.log(total), rel=1e-6)


def test_minutes_of_a_minor_excess_cost_a_beginning_and_not_each_tick():
    quiet, minor = np.full(30, LOG_MINOR + 8.0), np.full((30, 1), 8.0, dtype=np.float32)
    assert lasting_log(quiet, minor, 0.0).sum() > quiet.sum() + 30 * 3.0
    none = np.full((30, 1), LOWEST, dtype=np.float32)
    assert lasting_log(quiet, none, 0.0).tolist() == quiet.tolist()
