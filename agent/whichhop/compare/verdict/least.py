"""Whether an episode adds what its kind must add to be a fault: for two minutes in delay, in all in loss."""

import math

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.inference.likelihood import DELAYS_S
from whichhop.compare.inference.past import LEAST_SLOW
from whichhop.compare.inference.scan import Scan
from whichhop.compare.inference.screening import AFTER_TICKS, rolling
from whichhop.compare.suspects.elements import HOME_SIDE, Element
from whichhop.compare.suspects.priors import PRIORS
from whichhop.compare.verdict.verdict import FoundEpisode

HALF = 0.5
"""Of the least loss or share of late packets, or of a wire's least delay: less is nearer to none. Derived."""
SPREAD = math.log(5.0) / math.log(2.0)
"""Derived: an exponential's 80 % point over its median. Delays that vary so are told by either."""
DELAY_TICKS = AFTER_TICKS
"""A delay is held against the least over any two minutes of an episode: on air in use it may begin long
before the fault, and all of its time would say that there is none. Derived: as long as quiet ends one."""
FEW_TICKS = 3
"""From here on an episode's worst tick is left out of its loss: any may have a passing one beside it."""


def adds_least(done: Scan, element: Element, found: FoundEpisode) -> bool:
    """Whether an episode of the home's side loses or is slow, or for two minutes delays, by nearer to the
    least that counts as a fault of the element than to the most that does not.

    Each tick may have an excess of any size, so that some of three lost packets and others of none are
    explained as well as a steady loss; the sum tells them apart.
    """
    if element.nature not in HOME_SIDE:
        return True
    spells = found.there or ((found.span.first, found.span.end),)
    rows = np.concatenate([np.arange(a, b) for a, b in spells])
    columns = sorted(element.column)
    speaks = done.speaks[rows][:, columns]
    base = done.baselines[done.block_of(found.span.first)]
    loc50, loc80 = base.loc50[columns], base.loc80[columns]
    least_s = _nearer_s(done.columns_at(found.span.first).delays[:, found.members[0]])
    if _most(done.table.q50_s[rows][:, columns] - loc50, speaks) >= least_s:
        return True
    if _most(done.table.q80_s[rows][:, columns] - loc80, speaks) >= SPREAD * least_s:
        return True
    sent, lost, slow = (
        np.where(speaks, counts[rows][:, columns], 0).astype(np.float64)
        for counts in (done.table.sent, done.table.lost, done.table.slow)
    )
    late = slow - base.slow[columns] * (sent - lost)
    if late.sum() >= HALF * LEAST_SLOW * (sent - lost).sum():
        return True
    more = (lost - base.loss[columns] * sent).sum(axis=1)
    if len(rows) >= FEW_TICKS:
        kept = np.arange(len(rows)) != int(np.argmax(more))
        more, sent = more[kept], sent[kept]
    return bool(more.sum() >= HALF * PRIORS[element.nature].least_loss * sent.sum())


def _nearer_s(faults: NDArray[np.bool_]) -> float:
    """From which delay on the least that is a fault is nearer than the greatest that is none, seconds."""
    least = int(faults.argmax())
    return float((DELAYS_S[least] * DELAYS_S[least - 1]) ** 0.5) if least else HALF * float(DELAYS_S[0])


def _most(over: NDArray[np.floating], speaks: NDArray[np.bool_]) -> float:
    """The mean of excesses, (ticks, sessions), over the DELAY_TICKS in which it is greatest; 0 for none."""
    known = speaks & np.isfinite(over)
    each = np.stack([np.where(known, over, 0.0).sum(axis=1), known.sum(axis=1)], axis=1)
    total, count = rolling(each.astype(np.float64), DELAY_TICKS)[min(DELAY_TICKS, len(each)) - 1 :].T
    return float((total[count > 0] / count[count > 0]).max(initial=0.0))
