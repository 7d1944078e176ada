import numpy as np
import pytest

from whichhop.compare.suspects.elements import Nature
from whichhop.compare.suspects.priors import PRIORS
from whichhop.compare.verdict.members import reweighted, shape_odds


def ticks(value, count=8):
    return np.full(count, value, dtype=np.float32)


@pytest.mark.parametrize(("delay", "loss", "wanted"), [(20.0, -8.0, 0), (-8.0, 20.0, 1), (20.0, 20.0, 2)])
def test_the_shape_follows_the_evidence(delay, loss, wanted):
    odds = shape_odds(ticks(delay), ticks(loss))
    assert odds.argmax() == wanted
    assert odds.sum() == pytest.approx(1.0)


def test_a_delay_is_the_lines_and_not_the_cables():
    priors = [PRIORS[Nature.ETHERNET], PRIORS[Nature.ACCESS]]
    shares = reweighted(np.array([1 / 6, 5 / 6]), shape_odds(ticks(20.0), ticks(-8.0)), priors)
    assert shares[1] > 0.95
    shares = reweighted(np.array([1 / 6, 5 / 6]), shape_odds(ticks(-8.0), ticks(20.0)), priors)
    # By hand: 1/6 * 0.76 against 5/6 * 0.25.
    assert shares[0] == pytest.approx(0.76 / (0.76 + 5 * 0.25), abs=0.02)


def test_shares_sum_to_one():
    priors = [PRIORS[n] for n in (Nature.RADIO, Nature.HOST, Nature.NODE)]
    shares = reweighted(np.array([0.2, 0.5, 0.3]), np.array([0.1, 0.2, 0.7]), priors)
    assert shares.sum() == pytest.approx(1.0)
