"""Cuts a stretch where by any one cause it is calm, so that each trouble in it has candidates of its own."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.inference.filter import MEAN_COMING_S, SELDOMER, TINY
from whichhop.compare.inference.scan import Scan
from whichhop.compare.inference.screening import Stretch, at_times
from whichhop.compare.inference.segment import OwnUse
from whichhop.compare.suspects.elements import Element, Nature

CALM = 0.99
"""Sure that nothing is at fault: as sure as opens an episode at once."""
CALM_TICKS = 18
"""Three minutes of calm part two troubles, as stretches that far apart are two (`screening.JOIN_TICKS`). Two
and five cut six homes of four recipes into nearly the same pieces."""
AROUND_TICKS = 6
"""A minute of calm goes with a trouble on either side, so that it begins and ends from nothing."""


def pieces(
    scan: Scan, elements: Sequence[Element], onset: NDArray[np.float64], use: OwnUse, stretch: Stretch
) -> list[Stretch]:
    """The parts of a stretch in which something may be wrong, in order of time."""
    if stretch.end - stretch.first <= CALM_TICKS:
        return [stretch]
    busy = np.flatnonzero(_nothing(scan, elements, onset, use, stretch) < CALM)
    if not busy.size:
        return []
    cuts = np.flatnonzero(np.diff(busy) > CALM_TICKS)
    firsts, lasts = busy[[0, *(cuts + 1)]], busy[[*cuts, -1]]
    return [
        Stretch(
            first=max(stretch.first, stretch.first + a - AROUND_TICKS),
            end=min(stretch.end, stretch.first + b + 1 + AROUND_TICKS),
        )
        for a, b in zip(firsts.tolist(), lasts.tolist(), strict=True)
    ]


def _nothing(
    scan: Scan, elements: Sequence[Element], onset: NDArray[np.float64], use: OwnUse, stretch: Stretch
) -> NDArray[np.float64]:
    """Probability per tick, in the light of the whole stretch, that nothing is at fault.

    At most one element may be, all the time or at times: sums over the states are short then, and where two
    are at fault one of them alone is likelier than none.
    """
    span = slice(stretch.first, stretch.end)
    net = scan.ratios[span] - scan.quiet[span, None]
    for j, log_ratio in use.stay.items():
        net[:, j] += log_ratio[span]
    net = np.concatenate([np.zeros((len(net), 1)), net, at_times(net, 0.0), scan.late[span]], axis=1)
    late = onset[list(scan.columns.may_be_late)]
    weight = np.exp(net - net.max(axis=1, keepdims=True))
    step_s = scan.table.step_ns * 1e-9
    lasts = np.repeat([scan.settings.mean_fault_s, MEAN_COMING_S], [len(onset), len(onset) + len(late)])
    begins = np.concatenate([[0.0], onset, onset * SELDOMER, late * SELDOMER])
    ends = np.concatenate([[0.0], np.minimum(0.5, step_s / lasts)])
    own = next((1 + j for j, e in enumerate(elements) if e.nature is Nature.OWN_TRAFFIC), 0)
    # Of every tick at once what needs nothing of its neighbours: a short call costs more than its work.
    rises = np.tile(begins, (len(weight), 1))
    rises[:, own] *= np.nan_to_num(use.factor[span], nan=1.0)
    totals, stays = rises.sum(axis=1).tolist(), 1.0 - ends
    forward = np.empty_like(weight)
    now = np.zeros(len(begins))
    now[0] = 1.0
    for t, total in enumerate(totals):
        ahead = np.multiply(now, stays, out=forward[t])
        ahead += now[0] * rises[t]
        ahead[0] += now @ ends - now[0] * total
        ahead *= weight[t]
        np.maximum(ahead, TINY, out=ahead)
        ahead /= ahead.sum()
        now = ahead
    later = np.ones_like(weight)
    for t in range(len(weight) - 2, -1, -1):
        seen = later[t + 1] * weight[t + 1]
        back = np.multiply(seen, stays, out=later[t])
        back += ends * seen[0]
        back[0] += rises[t + 1] @ seen - totals[t + 1] * seen[0]
        back /= back.max()
    out: NDArray[np.float64] = forward[:, 0].copy()
    both = (forward * later)[:-1]
    out[:-1] = both[:, 0] / both.sum(axis=1)
    return out
