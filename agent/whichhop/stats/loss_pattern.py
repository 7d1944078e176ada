"""How losses follow each other: runs, periods and bursts, and steps of the two-state chain (Gilbert 1960)."""

import itertools
from collections.abc import Sequence

from msgspec import Struct

DEFAULT_GMIN = 16
"""RFC 3611 section 4.7.2 recommends 16: a loss with that many good packets on both sides stands alone."""


def loss_indexes(lost: Sequence[bool]) -> list[int]:
    """The positions of the lost packets in order sent."""
    return [i for i, gone in enumerate(lost) if gone]


def loss_distances(lost: Sequence[bool]) -> list[int]:
    """RFC 3357 5.4.1: for each packet 0 if it arrived, else how far back the previous loss is, in packets.

    The first loss has distance 0 by definition. Same length as the input; empty gives empty.
    """
    out = [0] * len(lost)
    where = loss_indexes(lost)
    for before, here in itertools.pairwise(where):
        out[here] = here - before
    return out


def loss_periods(lost: Sequence[bool]) -> list[int]:
    """RFC 3357 5.4.2: for each packet 0 if it arrived, else the number, from 1, of the run it is lost in.

    Same length as the input; empty gives empty; all lost gives all 1.
    """
    out = [0] * len(lost)
    period = 0
    for i in loss_indexes(lost):
        if i == 0 or not lost[i - 1]:
            period += 1
        out[i] = period
    return out


def period_starts(lost: Sequence[bool]) -> list[int]:
    """Where each run of losses begins, counted from 0."""
    return [i for i in loss_indexes(lost) if i == 0 or not lost[i - 1]]


def period_lengths(lost: Sequence[bool]) -> list[int]:
    """RFC 3357 6.3: packets in each run of losses; empty when nothing was lost."""
    out: list[int] = []
    for period in loss_periods(lost):
        if period > len(out):
            out.append(1)
        elif period:
            out[-1] += 1
    return out


def noticeable(lost: Sequence[bool], delta: int) -> list[int]:
    """RFC 3357 6.1: positions of losses that follow the previous loss within `delta` packets, from 0."""
    return [i for i, distance in enumerate(loss_distances(lost)) if 0 < distance <= delta]


class Burst(Struct, frozen=True, kw_only=True):
    """Packets from the first to the last loss of a burst, both included, and how many of them were lost."""

    first: int
    last: int
    lost: int

    @property
    def packets(self) -> int:
        """Its length in packets."""
        return self.last - self.first + 1


class BurstsAndGaps(Struct, frozen=True, kw_only=True):
    """RFC 3611 section 4.7.2 of one stream of `packets` packets; positions count from 0.

    isolated: losses that stand alone and so belong to a gap.
    gaps: lengths in packets of the stretches before, between and after bursts, empty stretches left out.
    """

    packets: int
    gmin: int
    bursts: tuple[Burst, ...]
    isolated: tuple[int, ...]
    gaps: tuple[int, ...]

    @property
    def burst_density(self) -> float | None:
        """Share of packets lost inside bursts, 0 to 1; None without a burst (the RFC's field is then 0)."""
        inside = sum(burst.packets for burst in self.bursts)
        return sum(burst.lost for burst in self.bursts) / inside if inside else None

    @property
    def gap_density(self) -> float | None:
        """Share of packets lost inside gaps, at most 1/(gmin + 1) in a long gap; None without a gap."""
        inside = sum(self.gaps)
        return len(self.isolated) / inside if inside else None

    @property
    def mean_burst_packets(self) -> float | None:
        """Mean length of a burst in packets; times the packet interval it is the burst duration."""
        return sum(b.packets for b in self.bursts) / len(self.bursts) if self.bursts else None


def bursts_and_gaps(lost: Sequence[bool], gmin: int = DEFAULT_GMIN) -> BurstsAndGaps:
    """Cuts a stream into bursts and gaps (RFC 3611 4.7.2), packets in order sent, true where lost.

    A burst begins and ends with a loss and holds no run of `gmin` or more good packets; `gmin` good
    packets are assumed before the first and after the last. Segmented by that definition: the code in the
    RFC's appendix A.2 does not reproduce the RFC's own example. Empty: no burst, no gap. All lost: one
    burst, no gap, density 1. One packet, lost: isolated in a gap of one.
    """
    if gmin < 1:
        raise ValueError(f"gmin {gmin} must be at least 1")
    clusters: list[list[int]] = []
    for i in loss_indexes(lost):
        if clusters and i - clusters[-1][-1] - 1 < gmin:
            clusters[-1].append(i)
        else:
            clusters.append([i])
    bursts = tuple(Burst(first=c[0], last=c[-1], lost=len(c)) for c in clusters if len(c) > 1)
    edges = [-1, *(edge for b in bursts for edge in (b.first, b.last)), len(lost)]
    gaps = tuple(after - before - 1 for before, after in zip(edges[::2], edges[1::2], strict=True))
    return BurstsAndGaps(
        packets=len(lost),
        gmin=gmin,
        bursts=bursts,
        isolated=tuple(c[0] for c in clusters if len(c) == 1),
        gaps=tuple(g for g in gaps if g),
    )


class Transitions(Struct, frozen=True, kw_only=True):
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
