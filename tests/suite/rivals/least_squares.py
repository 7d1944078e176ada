"""Non-negative least squares: the additive excess of every element that explains the sessions best."""

import numpy as np
import numpy.typing as npt
from scipy.optimize import nnls

from suite.rivals.common import DELAY_S, LOSS, View, by_column, verdicts_of
from whichhop.compare.suspects.elements import Element
from whichhop.model import Verdict


def judge(view: View) -> list[Verdict]:
    """Blame the elements whose share of the excess passes the thresholds; equal columns are one unknown."""
    groups = by_column(view.elements)
    columns, members = list(groups), list(groups.values())
    matrix = np.zeros((len(view.sessions), len(columns)))
    for j, column in enumerate(columns):
        matrix[list(column), j] = 1.0
    blamed: dict[tuple[Element, ...], npt.NDArray[np.bool_]] = {
        group: np.zeros(len(view.loss), bool) for group in members
    }
    # Losses add as logarithms of survival; a whole loss is held at 95 %.
    survival = -np.log(1 - np.clip(view.loss, 0, 0.95))
    for values, least in ((view.excess_s, DELAY_S), (survival, -np.log(1 - LOSS))):
        with np.errstate(invalid="ignore"):
            ticks = np.flatnonzero((values > least).any(axis=1))
        for t in ticks:
            known = np.isfinite(values[t])
            found = _solve(matrix[known], np.maximum(values[t][known], 0.0))
            for j in np.flatnonzero(found > least):
                blamed[members[j]][t] = True
    return verdicts_of(view, {g: t for g, t in blamed.items() if t.any()})


def _solve(matrix: npt.NDArray[np.float64], values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    try:
        return nnls(matrix, values)[0]
    except RuntimeError:
        # The active set did not settle: no answer for this tick.
        return np.zeros(matrix.shape[1])
