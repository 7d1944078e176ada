"""How bad an episode was: delay added to the quiet baseline, and loss with its interval."""

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.inference.baseline import Floats
from whichhop.compare.windows.table import WindowTable
from whichhop.model import Severity
from whichhop.stats.proportion import wilson


def excess(values: Floats, location: Floats, speaks: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Values above their session's location where they speak, flat, without the unknown ones."""
    over = np.where(speaks, values - location, np.nan).astype(np.float64)
    return over[np.isfinite(over)]


def severity(
    table: WindowTable,
    speaks: NDArray[np.bool_],
    columns: list[int],
    *,
    loc50: Floats,
    loc80: Floats,
) -> Severity:
    """The severity over all ticks of `table` for the sessions in `columns`.

    The added 95 % round trip is read from the ticks' 80 % quantiles, above that quantile's own location:
    a tick of ten packets has no finer one.
    """
    heard = speaks[:, columns]
    sent = int(np.where(heard, table.sent[:, columns], 0).sum())
    lost = int(np.where(heard, table.lost[:, columns], 0).sum())
    between = wilson(lost, sent)
    middle = excess(table.q50_s[:, columns], loc50[columns], heard)
    upper = excess(table.q80_s[:, columns], loc80[columns], heard)
    return Severity(
        sent=sent,
        lost=lost,
        added_p50_s=float(np.median(middle)) if middle.size else None,
        added_p95_s=float(np.quantile(upper, 0.95)) if upper.size else None,
        loss_ratio=lost / sent if sent else None,
        loss_low=between.low if sent else None,
        loss_high=between.high if sent else None,
    )
