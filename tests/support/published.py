"""Published formulas that the agent has no use for, by which the checks hold those that it uses."""

import math

from msgspec import Struct

from whichhop.stats.loss_pattern import Transitions


class TwoState(Struct, frozen=True, kw_only=True):
    """A chain whose bad state loses every packet (Gilbert 1960, textbook form).

    p: chance to turn bad after a good packet; r: chance to turn good after a lost one; both 0 to 1.
    """

    p: float
    r: float

    @property
    def loss(self) -> float:
        """Share of packets lost in the long run."""
        return self.p / (self.p + self.r)

    @property
    def correlation(self) -> float:
        """Correlation of one packet's loss with the next one's; 0 when losses are independent."""
        return 1 - self.p - self.r

    @property
    def burst_ratio(self) -> float:
        """G.107's BurstR, 1/(p + r): 1 for independent losses, larger when they cluster."""
        return 1 / (self.p + self.r)


def fit(steps: Transitions) -> TwoState:
    """The chain of greatest likelihood: p = n01/(n00 + n01), r = n10/(n10 + n11)."""
    return TwoState(p=steps.n01 / (steps.n00 + steps.n01), r=steps.n10 / (steps.n10 + steps.n11))


class IntegerJitter(Struct):
    """RFC 3550 appendix A.8, the form that keeps 16 J in a whole number, as receivers report it.

    `state` is J scaled by 16, `reported` what an RTCP report carries, both in timestamp units. It floors:
    a constant |D| of 100 settles at 99. Empty and single-sample input: 0 with `pairs` 0.
    """

    state: int = 0
    pairs: int = 0
    _last: int | None = None

    def update(self, transit: int) -> int:
        """Feeds one packet that arrived, in timestamp units; gives the value reported after it."""
        if self._last is not None:
            self.state += abs(transit - self._last) - ((self.state + 8) >> 4)
            self.pairs += 1
        self._last = transit
        return self.reported

    @property
    def reported(self) -> int:
        """J in whole timestamp units."""
        return self.state >> 4


def simple_delay_impairment(one_way_ms: float) -> float:
    """Id's usual short form (Cole and Rosenbluth 2001, common practice), to cross-check the whole formula."""
    return 0.024 * one_way_ms + 0.11 * max(0.0, one_way_ms - 177.3)


def standard_error(chain: TwoState, packets: int) -> float:
    """Of the loss ratio measured over `packets` packets; bursts make it larger than independence would.

    The chain's long-run variance: loss (1 - loss) (1 + c) / (1 - c) / packets with c the correlation.
    """
    c = chain.correlation
    return math.sqrt(chain.loss * (1 - chain.loss) * (1 + c) / (1 - c) / packets)
