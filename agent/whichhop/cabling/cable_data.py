"""How much coax loses: typical published attenuation by type and frequency, and its rise with temperature.

Figures are those that makers of series 59, 6 and 11 drop cable print alike for 20 °C (68 °F); a given
cable's own data sheet may differ by a few tenths. They are common practice, from memory.
"""

import math
from collections.abc import Mapping
from itertools import pairwise

from whichhop.model.cable_run import REFERENCE_C, CableKind

HUNDRED_FEET_M = 30.48
"""100 international feet of 0.3048 m, by definition."""
PER_DEGREE_C = 0.002
"""Loss rises by 0.2 % a degree Celsius (0.11 % a degree Fahrenheit): drop cable makers' technical notes."""

# MHz -> dB per 100 ft at 20 °C
_MHZ = (5, 55, 211, 300, 400, 550, 750, 865, 1000)
_DB_PER_100_FT: dict[CableKind, tuple[float, ...]] = {
    CableKind.RG_59: (0.86, 2.06, 3.82, 4.45, 5.10, 5.95, 6.97, 7.52, 8.12),
    CableKind.RG_6: (0.58, 1.60, 3.05, 3.55, 4.15, 4.90, 5.65, 6.10, 6.55),
    CableKind.RG_11: (0.38, 0.96, 1.90, 2.25, 2.60, 3.04, 3.65, 3.98, 4.35),
}  # fmt: skip

CABLES: Mapping[CableKind, tuple[tuple[float, float], ...]] = {
    kind: tuple(zip(_MHZ, losses, strict=True)) for kind, losses in _DB_PER_100_FT.items()
}
"""Per kind of cable: (MHz, dB per 100 ft), rising."""


def db_per_100_ft(kind: CableKind, frequency_hz: float, temperature_c: float = REFERENCE_C) -> float:
    """Attenuation in dB per 100 ft.

    Between two printed frequencies along the root of the frequency (the skin effect's law), outside the
    table along the same root from its nearest end.
    """
    points = CABLES[kind]
    root = math.sqrt(frequency_hz / 1e6)
    low, high = points[0], points[-1]
    if root <= math.sqrt(low[0]):
        at_20 = low[1] * root / math.sqrt(low[0])
    elif root >= math.sqrt(high[0]):
        at_20 = high[1] * root / math.sqrt(high[0])
    else:
        at_20 = high[1]
        for (f, a), (g, b) in pairwise(points):
            if math.sqrt(f) <= root <= math.sqrt(g):
                share = (root - math.sqrt(f)) / (math.sqrt(g) - math.sqrt(f))
                at_20 = a + share * (b - a)
                break
    return at_20 * (1.0 + PER_DEGREE_C * (temperature_c - REFERENCE_C))


def cable_loss_db(
    kind: CableKind, length_m: float, frequency_hz: float, temperature_c: float = REFERENCE_C
) -> float:
    """Loss of a length of cable in dB."""
    return db_per_100_ft(kind, frequency_hz, temperature_c) * length_m / HUNDRED_FEET_M
