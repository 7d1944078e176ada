"""How losses follow each other: steps of the two-state chain (Gilbert 1960), and how they come in bursts."""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Transitions:
    """How often a good (0) or lost (1) packet was followed by a good or a lost one."""

    n00: int
    n01: int
    n10: int
    n11: int


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
