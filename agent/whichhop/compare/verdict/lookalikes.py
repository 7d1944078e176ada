"""Who else may be at fault in an episode: elements that its own moments could not tell from the culprit."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.inference.scan import Scan
from whichhop.compare.inference.segment import columns_heard
from whichhop.compare.suspects.elements import Element, Nature
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
    heard = frozenset(np.flatnonzero(scan.alibi.speaks[span].any(axis=0)).tolist())
    columns = columns_heard(elements, heard)
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
