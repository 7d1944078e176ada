import pytest

from whichhop.compare.suspects.elements import Nature
from whichhop.compare.suspects.priors import PRIORS


def test_every_nature_has_a_prior():
    assert set(PRIORS) == set(Nature)


@pytest.mark.parametrize("nature", list(Nature))
def test_a_priors_shares_sum_to_one_and_its_limits_are_in_order(nature):
    prior = PRIORS[nature]
    assert prior.delay + prior.loss + prior.both == pytest.approx(1.0)
    assert 0 < prior.blip < prior.blip_cap < 0.1
    assert prior.least_loss < prior.most_loss <= 1.0
