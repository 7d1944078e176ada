"""How to look again and again without fooling oneself, and how much more is needed to know."""

import math
from statistics import NormalDist

from scipy import special

MOST_DAYS = 60
"""Further ahead nobody plans, and the home has changed otherwise."""
TRUTHS = 40
PROBABLY = 0.7
"""More than half, since the days to come may differ more than those so far."""


def alpha_at(look: int, alpha: float = 0.05) -> float:
    """The share of the allowed chance of a false finding that look number `look` (from 1) may use up.

    alpha / (k (k + 1)): a half, a sixth, a twelfth ... all looks together use up `alpha` and no more, however
    many there will be (Boole's inequality over a telescoping series). The idea of spending alpha over looks
    whose number is not fixed before is Lan and DeMets 1983. ValueError for a look under 1.
    """
    if look < 1:
        raise ValueError(f"looks are counted from 1, not {look}")
    return alpha / (look * (look + 1))


def days_needed(
    change: float, error: float, *, least: float, days: tuple[int, int], alpha: float, look: int
) -> int:
    """Further days after a change until another look would probably decide, 0 when none of MOST_DAYS would.

    change, error: what stands now, with its standard error, from `days` (before, after). least: a change that
    nobody notices. Decided is: the interval leaves zero out while the change is at least `least`, or it holds
    nothing beyond `least`. Whatever the truth may be, given what stands now (a normal curve about it, cut in
    equal parts), counts by its likelihood; the error shrinks as that of two means, and the next look spends
    its own share of alpha (`alpha_at`).
    """
    before, after = days
    curve = NormalDist(change, error) if error > 0 else None
    truths = [curve.inv_cdf((i + 0.5) / TRUTHS) for i in range(TRUTHS)] if curve else [change]
    next_alpha = alpha * alpha_at(look + 1) / alpha_at(look)
    now = 1 / before + 1 / max(after, 1)
    for more in range(1, MOST_DAYS + 1):
        freedom = max(1, before + after + more - 2)
        then = error * math.sqrt((1 / before + 1 / (max(after, 1) + more)) / now)
        reach = then * student(next_alpha, freedom)
        decided = sum(abs(t) >= max(least, reach) or abs(t) + reach <= least for t in truths)
        if decided >= PROBABLY * TRUTHS:
            return more
    return 0


def student(alpha: float, freedom: float) -> float:
    """The two-sided quantile of Student's t: a share alpha of it lies further out (Student 1908)."""
    return float(special.stdtrit(freedom, 1 - alpha / 2))
