"""How to look again and again without fooling oneself, and how much more is needed to know."""

import math
from statistics import NormalDist

EFFICIENCY = 3 / math.pi
"""The signed-rank test's, against the t-test on normal values (Hodges and Lehmann 1956)."""


def alpha_at(look: int, alpha: float = 0.05) -> float:
    """The share of the allowed chance of a false finding that look number `look` (from 1) may use up.

    alpha / (k (k + 1)): a half, a sixth, a twelfth ... all looks together use up `alpha` and no more, however
    many there will be (Boole's inequality over a telescoping series). The idea of spending alpha over looks
    whose number is not fixed before is Lan and DeMets 1983. ValueError for a look under 1.
    """
    if look < 1:
        raise ValueError(f"looks are counted from 1, not {look}")
    return alpha / (look * (look + 1))


def pairs_needed(shift: float, spread: float, alpha: float, power: float = 0.8) -> int:
    """Pairs of matched hours that would show a shift, two-sided, with the chance `power`.

    spread: the differences' standard deviation, in the shift's unit. The normal formula
    ((z_alpha/2 + z_power) spread / shift)^2, over the signed-rank test's efficiency; never fewer than the
    exact test needs to say anything at all.
    """
    if shift == 0 or not 0 < alpha < 1:
        raise ValueError(f"a shift of {shift} at alpha {alpha} cannot be shown")
    z = NormalDist()
    reach = (z.inv_cdf(1 - alpha / 2) + z.inv_cdf(power)) * spread / abs(shift)
    return max(least_pairs(alpha), math.ceil(reach * reach / EFFICIENCY))


def least_pairs(alpha: float) -> int:
    """The fewest pairs whose signed ranks can be this extreme by chance: 2 / 2^n <= alpha."""
    return max(1, math.ceil(1 - math.log2(alpha)))
