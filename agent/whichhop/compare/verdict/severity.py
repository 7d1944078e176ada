"""How bad an episode was: delay added to the quiet baseline, and loss with its interval."""

import math

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.inference.baseline import Floats
from whichhop.compare.windows.table import WindowTable
from whichhop.model import Severity

Z95 = 1.959963984540054


def wilson(lost: int, sent: int, z: float = Z95) -> tuple[float, float]:
    """The Wilson score interval of a ratio (Wilson 1927); (0, 1) when nothing was sent."""
    if sent <= 0:
        return 0.0, 1.0
    ratio, z2 = lost / sent, z * z
    middle = ratio + z2 / (2 * sent)
    half = z * math.sqrt(ratio * (1 - ratio) / sent + z2 / (4 * sent * sent))
    low = (middle - half) / (1 + z2 / sent)
    high = (middle + half) / (1 + z2 / sent)
    return (0.0 if lost == 0 else max(0.0, low)), (1.0 if lost == sent else min(1.0, high))


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
    low, high = wilson(lost, sent)
    middle = excess(table.q50_s[:, columns], loc50[columns], heard)
    upper = excess(table.q80_s[:, columns], loc80[columns], heard)
    return Severity(
        sent=sent,
        lost=lost,
        added_p50_s=float(np.median(middle)) if middle.size else None,
        added_p95_s=float(np.quantile(upper, 0.95)) if upper.size else None,
        loss_ratio=lost / sent if sent else None,
        loss_low=low if sent else None,
        loss_high=high if sent else None,
    )
