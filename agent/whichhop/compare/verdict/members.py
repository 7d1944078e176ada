"""Who may be at fault in an episode: what its moments cannot tell from the culprit, what its shape fits."""

from collections.abc import Sequence

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from whichhop.compare.inference.baseline import Floats
from whichhop.compare.inference.scan import Scan
from whichhop.compare.inference.segment import columns_heard
from whichhop.compare.suspects.elements import Element, Nature
from whichhop.compare.suspects.priors import Prior
from whichhop.compare.verdict.corroboration import outdoes
from whichhop.compare.verdict.verdict import FoundEpisode

MOST_LOG = 30.0
"""Log-odds further apart than this are as good as certain. Derived: e^30 = 1e13, when shares are told to a
hundredth, and a double holds e^709."""


def once(found: Sequence[FoundEpisode]) -> list[FoundEpisode]:
    """Of episodes whose groups came to be the same only the likeliest at a time.

    What a whole stretch tells apart an episode in it may not, and then two groups of the stretch are one.
    """
    out: list[FoundEpisode] = []
    for one in sorted(found, key=lambda f: (-f.probability, f.span.first)):
        if not any(
            frozenset(one.members) == frozenset(kept.members)
            and min(one.span.end, kept.span.end) > max(one.span.first, kept.span.first)
            for kept in out
        ):
            out.append(one)
    return out


def with_lookalikes(
    scan: Scan, elements: Sequence[Element], onset: NDArray[np.float64], found: FoundEpisode, *, apart: bool
) -> FoundEpisode:
    """The group and all whose sessions, of those heard in this very episode, are the same.

    A stretch of trouble may last for hours and agents fall silent in it: what the whole stretch tells apart
    an episode in it may not. A lookalike's share against the leader's is its chance of an onset and how well
    it fits. onset: chance a tick, by element. apart: whether counters tell own traffic from the line.
    """
    span = slice(found.span.first, found.span.end)
    columns = columns_heard(elements, scan.heard(span))
    lead = found.members[0]
    more = [
        j
        for j, element in enumerate(elements)
        if columns[lead]
        and j not in found.members
        and columns[j] == columns[lead]
        and not (apart and Nature.OWN_TRAFFIC in (element.nature, elements[lead].nature))
    ]
    if not more:
        return found
    fits = scan.ratios[span][:, [lead, *more]].sum(axis=0, dtype=np.float64)
    odds = np.clip(fits[1:] - fits[0], -MOST_LOG, MOST_LOG)
    extra = found.shares[0] * np.exp(odds) * onset[more] / onset[lead]
    members = np.array([*found.members, *more])
    shares = np.array([*found.shares, *extra])
    shares *= sum(found.shares) / shares.sum()
    order = np.argsort(-shares, kind="stable")
    return replace(
        found,
        members=tuple(int(members[i]) for i in order),
        shares=tuple(float(shares[i]) for i in order),
    )


OFF = 0.1
"""A fault of a shape shows it in nine ticks of ten. Swept: half and twice of it gave the same figures
(tests/suite/results/tries.md)."""
TEMPER = 0.5
"""Ticks of one fault are not independent, so each counts for half. Swept: half of it gave the same figures
(tests/suite/results/tries.md)."""


def shape_odds(delay: Floats, loss: Floats) -> NDArray[np.float64]:
    """Relative likelihood of the shapes delay only, loss only and both, from an episode's ticks.

    delay, loss: (ticks,) log-ratios that the sessions crossing the group are delayed, that they lose.
    """
    d = np.minimum(delay.astype(np.float64), 60.0)
    k = np.minimum(loss.astype(np.float64), 60.0)
    only_delay = np.logaddexp(np.log(1 - OFF) + d, np.log(OFF))
    only_loss = np.logaddexp(np.log(1 - OFF) + k, np.log(OFF))
    both = np.logaddexp.reduce([np.log(0.3) + d, np.log(0.3) + k, np.log(0.4) + d + k])
    total = TEMPER * np.array([only_delay.sum(), only_loss.sum(), both.sum()])
    odds = np.exp(total - total.max())
    return np.asarray(odds / odds.sum(), dtype=np.float64)


def reweighted(
    shares: NDArray[np.float64], odds: NDArray[np.float64], priors: Sequence[Prior]
) -> NDArray[np.float64]:
    """Members' shares once the shape is known: each member's own mix of shapes is weighed against it."""
    fit = np.array([[p.delay, p.loss, p.both] for p in priors]) @ odds
    weighed = shares * fit
    return np.asarray(weighed / max(float(weighed.sum()), 1e-300), dtype=np.float64)


WAY = frozenset({Nature.RADIO, Nature.BACKHAUL, Nature.ETHERNET, Nature.AIR, Nature.NODE, Nature.FORWARDING})
"""What lies between a host of the home and its line."""
SLACK_TICKS = 2
"""A queue on the way fills a little sooner or empties a little later than the line's."""


def part_of_own_traffic(
    scan: Scan, elements: Sequence[Element], found: FoundEpisode, others: Sequence[FoundEpisode]
) -> bool:
    """Whether an episode on a way inside the home comes and goes with own traffic that counters show.

    That both begin together by chance is far less likely than that a host of the home fills its own radio on
    the way out. One that goes on afterwards, or ends before, is a trouble of its own. So is one that adds
    more than the line does: of two queues in a row the traffic waits in the narrower one, and where that is
    the radio it is the radio that is slow.
    """
    way = elements[found.members[0]]
    if way.nature not in WAY:
        return False
    return any(
        elements[other.members[0]].nature is Nature.OWN_TRAFFIC
        and abs(other.span.first - found.span.first) <= SLACK_TICKS
        and abs(other.span.end - found.span.end) <= SLACK_TICKS
        and not outdoes(scan, way.column, elements[other.members[0]].column, found.span)
        for other in others
    )
