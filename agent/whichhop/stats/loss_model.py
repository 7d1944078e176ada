"""The two-state chain of losses (Gilbert): fitted from a stream, and what a given chain implies."""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoState:
    """A chain whose bad state loses every packet (Gilbert 1960, textbook form).

    p: chance to turn bad after a good packet; r: chance to turn good after a lost one; both 0 to 1.
    """

    p: float
    r: float

    def __post_init__(self) -> None:
        if not (0 <= self.p <= 1 and 0 <= self.r <= 1 and self.p + self.r > 0):
            raise ValueError(f"p {self.p} and r {self.r} must lie in 0..1 and not both be 0")

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Transitions:
    """How often a good (0) or lost (1) packet was followed by a good or a lost one."""

    n00: int
    n01: int
    n10: int
    n11: int

    def fit(self) -> TwoState | None:
        """The chain of greatest likelihood: p = n01/(n00 + n01), r = n10/(n10 + n11).

        None where the stream never left one of the states: no loss with a successor, nothing that arrived
        before another packet, and so also for an empty, all-lost or single-packet stream.
        """
        good, bad = self.n00 + self.n01, self.n10 + self.n11
        if not good or not bad or not self.n01 + self.n10:
            return None
        return TwoState(p=self.n01 / good, r=self.n10 / bad)


def transitions(lost: Sequence[bool]) -> Transitions:
    """Counts the steps of a stream in order sent, true where lost; n - 1 steps, none for 0 or 1 packets."""
    counts = [0, 0, 0, 0]
    for before, here in itertools.pairwise(lost):
        counts[2 * bool(before) + bool(here)] += 1
    n00, n01, n10, n11 = counts
    return Transitions(n00=n00, n01=n01, n10=n10, n11=n11)


def burst_ratio(lost: Sequence[bool]) -> float | None:
    """G.107's BurstR from the stream itself: mean run of losses over the run that random loss would have.

    Random loss at ratio L has a mean run of 1/(1 - L). None when nothing was lost (empty included) or
    everything was, for then no run has an end. From memory of ITU-T G.107 section 7.3.
    """
    losses = sum(map(bool, lost))
    if losses in (0, len(lost)):
        return None
    runs = sum(1 for i, gone in enumerate(lost) if gone and (i == 0 or not lost[i - 1]))
    return losses / runs * (1 - losses / len(lost))
