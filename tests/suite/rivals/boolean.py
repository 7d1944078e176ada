"""Smallest Boolean explanation: the fewest elements that cover every bad session and touch few good ones."""

from itertools import combinations

import numpy as np
import numpy.typing as npt

from suite.rivals.common import DELAY_S, LOSS, View, by_column, verdicts_of
from whichhop.compare.suspects.elements import Element
from whichhop.model import Verdict

GOOD_ALLOWED = 0.1
"""Share of an element's sessions that may be good although it is at fault."""


def judge(view: View) -> list[Verdict]:
    """Blame the smallest sets; when several are equally small, none of them (a tie says nothing)."""
    groups = by_column(view.elements)
    members = list(groups.values())
    matrix = np.zeros((len(members), len(view.sessions)), bool)
    for j, column in enumerate(groups):
        matrix[j, list(column)] = True
    with np.errstate(invalid="ignore"):
        bad = (view.excess_s > DELAY_S) | (view.loss > LOSS)
    known = np.isfinite(view.excess_s) | (view.loss > LOSS)
    blamed: dict[tuple[Element, ...], npt.NDArray[np.bool_]] = {g: np.zeros(len(bad), bool) for g in members}
    seen: dict[bytes, tuple[int, ...]] = {}
    for t in np.flatnonzero(bad.any(axis=1)):
        key = bad[t].tobytes() + known[t].tobytes()
        if key not in seen:
            seen[key] = _explain(matrix, bad[t], known[t])
        for j in seen[key]:
            blamed[members[j]][t] = True
    return verdicts_of(view, {g: t for g, t in blamed.items() if t.any()})


def _explain(
    matrix: npt.NDArray[np.bool_], bad: npt.NDArray[np.bool_], known: npt.NDArray[np.bool_]
) -> tuple[int, ...]:
    heard = (matrix & known).sum(axis=1)
    good = (matrix & known & ~bad).sum(axis=1)
    candidates = np.flatnonzero((heard > 0) & (good <= GOOD_ALLOWED * heard))
    for size in (1, 2):
        found = [
            chosen
            for chosen in combinations(candidates.tolist(), size)
            if (matrix[list(chosen)].any(axis=0) >= bad).all()
        ]
        if found:
            # Of equally small sets the one that touches the fewest good sessions, if there is one such.
            costs = [int(good[list(c)].sum()) - int((matrix[list(c)] & bad).sum()) for c in found]
            best = [c for c, cost in zip(found, costs, strict=True) if cost == min(costs)]
            return best[0] if len(best) == 1 else ()
    return ()
