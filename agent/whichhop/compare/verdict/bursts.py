"""Slow packets of a line in use: most meet an empty queue, some what a burst left; healthy, and no fault."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.inference.scan import Scan
from whichhop.compare.suspects.elements import Element, Nature
from whichhop.compare.verdict.corroboration import counted
from whichhop.compare.verdict.provider_guards import LEAST_USE, SLIGHT_LOSS, SLIGHT_S
from whichhop.compare.verdict.verdict import LINE, FoundEpisode
from whichhop.compare.windows.around import summed_around
from whichhop.compare.windows.late_share import AROUND, beyond_use
from whichhop.compare.windows.own_traffic import LineUse

MOSTLY = 0.75
"""Of an episode's ticks those in which the home uses its line: what goes on without that is not its doing.
The rest is what an episode needs to be over, and pauses of a stream. No source."""
MOST_USE = 0.5
"""A queue with random arrivals is empty for 1 - use of those that come (M/G/1, textbook): under a half the
median packet meets none, so that bursts hardly move the median."""
MEDIAN_SHARE = 0.5
"""Of the 80 % quantile's excess what the median's may be. Of exponential waits, that all packets meet, the
median is 0.43 of the 80 % quantile; of a jitter both ways 0.56, of an added delay all of it."""
LEAST_S = 0.005
"""Nor does a median speak that moves by less than the least fault of a line; see `suspects.priors`."""
PAST = (Nature.BEYOND, Nature.DESTINATION)
ONE_LOST = 1
"""Derived: of fewer than fifty packets a single one is more than SLIGHT_LOSS, and says nothing."""
AS_LATE, APART_SIGMAS = 0.5, 2.0
"""Of the excess past the line what must be met at it too: where its own bursts are the lesser part, and the
difference more than chance (two standard errors of the mean over the ticks), something past it is slow."""
MOST_S = 0.070
"""The 80 % quantile of the waits whose median is `provider_guards.PROOF_S`: bursts into a deep queue."""


def only_bursts(scan: Scan, elements: Sequence[Element], used: LineUse, found: FoundEpisode) -> bool:
    """Whether all that an episode of the line, or past it, shows is what a healthy line in use shows.

    used: by tick of the scan. A delay that the median has too, loss, what shows while the line is idle, and
    more late packets than it was busy for, are none of its bursts. What lies past the line shows them by
    chance alone: then the sessions that end at the line are late too, and on the whole as much.
    """
    where = next((j for j in found.members if elements[j].nature in (*LINE, *PAST)), None)
    if where is None:
        return False
    ticks = np.concatenate([np.arange(a, b) for a, b in found.there])
    use = _averaged(used.share)[ticks]
    with np.errstate(invalid="ignore"):
        if np.count_nonzero((use >= LEAST_USE) & (use < MOST_USE)) < MOSTLY * ticks.size:
            return False
    if beyond_use(used.both[ticks], used.late[ticks], used.step_s):
        return False
    column = sorted(elements[where].column)
    base = scan.baselines[scan.block_of(found.span.first)]
    speaks = scan.speaks[ticks][:, column]
    sent, lost = counted(scan, column, ticks, (scan.table.sent, scan.table.lost))
    middle = _over(scan.table.q50_s[ticks][:, column] - base.loc50[column], speaks)
    upper = _over(scan.table.q80_s[ticks][:, column] - base.loc80[column], speaks)
    if not np.isfinite(middle + upper) or lost > max(ONE_LOST, SLIGHT_LOSS * sent):
        return False
    if elements[where].nature in PAST:
        line = next((e for e in elements if e.nature is Nature.ACCESS), None)
        ending = sorted(line.column - elements[where].column) if line else []
        return middle < LEAST_S and _late_too(
            scan.table.q80_s[ticks] - base.loc80, scan.speaks[ticks], sorted(elements[where].column), ending
        )
    return middle < min(SLIGHT_S, max(LEAST_S, MEDIAN_SHARE * upper)) and upper < MOST_S


def _late_too(
    over: NDArray[np.floating], speaks: NDArray[np.bool_], past: Sequence[int], ending: Sequence[int]
) -> bool:
    """Whether what ends at the line is late on the whole as what goes past it; over: (ticks, sessions).

    Late packets are not counted: they are so above each tick's own median, which a burst that most packets
    meet raises. Nor are the ticks' medians compared: in step with the agents' second a burst is met by the
    one now and by the other then. Where nobody who ends there answers, nobody says so.
    """
    means = [
        np.array([row[known].mean() if known.any() else np.nan for row, known in zip(*part, strict=True)])
        for part in ((over[:, c], speaks[:, c] & np.isfinite(over[:, c])) for c in (past, ending))
    ]
    both = np.isfinite(means[0] + means[1])
    if not both.any():
        return False
    beyond, here = (mean[both] for mean in means)
    if here.mean() >= AS_LATE * beyond.mean():
        return True
    apart = beyond - here
    few = apart.size < 2 or apart.mean() <= APART_SIGMAS * apart.std(ddof=1) / np.sqrt(apart.size)
    return bool(few and here.mean() > 0.0)


def _averaged(share: NDArray[np.float64]) -> NDArray[np.float64]:
    """The mean over AROUND ticks of those known; NaN where none is."""
    known = np.isfinite(share)
    total, count = summed_around(np.where(known, share, 0.0), AROUND), summed_around(known, AROUND)
    return np.where(count > 0, total / np.maximum(count, 1.0), np.nan)


def _over(excess: NDArray[np.floating], speaks: NDArray[np.bool_]) -> float:
    """The median over ticks of the median over sessions; NaN where none answered."""
    heard = np.where(speaks, excess, np.nan)
    heard = heard[np.isfinite(heard).any(axis=1)]
    return float(np.median(np.nanmedian(heard, axis=1))) if heard.size else float("nan")
