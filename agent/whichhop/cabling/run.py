"""What a cable run loses at a frequency and a temperature, and the levels that it lets one expect.

Losses of splitters, couplers and joints are the figures usually printed on such parts (common practice);
they hold within about 0.5 dB between 5 and 1000 MHz.

Figures are those that makers of series 59, 6 and 11 drop cable print alike for 20 °C (68 °F); a given
cable's own data sheet may differ by a few tenths. They are common practice, from memory.
"""

import math
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import assert_never

from whichhop.model.cable_run import (
    REFERENCE_C,
    Amplifier,
    Cable,
    CableKind,
    Coupler,
    Filter,
    Joint,
    Leg,
    Pad,
    Part,
    Run,
    Splitter,
)

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

SPLITTER_DB: dict[tuple[int, Leg], float] = {
    (2, Leg.EVEN): 3.5,
    (3, Leg.EVEN): 5.5,
    (3, Leg.STRONG): 3.5,
    (3, Leg.WEAK): 7.0,
    (4, Leg.EVEN): 7.0,
    (8, Leg.EVEN): 10.5,
}
"""Loss per leg in dB, common practice; an ideal one would lose 10 lg N (3.01, 4.77, 6.02, 9.03 dB)."""

COUPLER_THROUGH_DB: dict[int, float] = {6: 2.0, 9: 1.4, 12: 1.0, 16: 0.8, 20: 0.6}
"""Loss of a coupler's through output in dB by its tap value, common practice."""


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


def part_loss_db(part: Part, frequency_hz: float, *, upstream: bool = False) -> float:
    """What a part takes off a signal, in dB; below zero for an amplifier's gain. KeyError: no such part."""
    match part:
        case Cable():
            return cable_loss_db(part.kind, part.length_m, frequency_hz, part.temperature_c)
        case Splitter():
            return SPLITTER_DB[part.ways, part.leg]
        case Coupler():
            return COUPLER_THROUGH_DB[part.value_db] if part.leg is Leg.THROUGH else float(part.value_db)
        case Amplifier():
            return -(part.return_gain_db if upstream else part.gain_db)
        case Filter():
            return part.loss_db if part.low_hz <= frequency_hz <= part.high_hz else part.stop_db
        case Pad() | Joint():
            return part.loss_db
        case _:
            assert_never(part)


def run_loss_db(run: Run, frequency_hz: float, *, upstream: bool = False) -> float:
    """Loss from the tap to the modem in dB."""
    return sum(part_loss_db(part, frequency_hz, upstream=upstream) for part in run.parts)


def tap_level_dbmv(run: Run, frequency_hz: float) -> float:
    """Downstream level at the start of the run."""
    points = sorted(run.tap_dbmv.items())
    if not points:
        raise ValueError("a run needs at least one level at its start")
    if frequency_hz <= points[0][0]:
        return points[0][1]
    for (f, a), (g, b) in pairwise(points):
        if frequency_hz <= g:
            return a + (frequency_hz - f) / (g - f) * (b - a)
    return points[-1][1]


def expected_dbmv(run: Run, frequency_hz: float) -> float:
    """Downstream level to expect at the modem."""
    return tap_level_dbmv(run, frequency_hz) - run_loss_db(run, frequency_hz)


def walk_levels(run: Run, frequency_hz: float) -> tuple[float, ...]:
    """The level at the start and after every part, so that a reader sees where the signal goes."""
    level = tap_level_dbmv(run, frequency_hz)
    out = [level]
    for part in run.parts:
        level -= part_loss_db(part, frequency_hz)
        out.append(level)
    return tuple(out)


def part_words(part: Part, others: bool = True) -> str:  # noqa: PLR0911 # one return a kind of part
    """A part as a person names it, with what else it serves unless `others` is False."""
    match part:
        case Cable():
            warm = "" if part.temperature_c == REFERENCE_C else f" at {part.temperature_c:g} °C"
            return f"{part.length_m:g} m of {part.kind.upper()}{warm}"
        case Splitter():
            leg = "" if part.leg is Leg.EVEN else f", {part.leg} leg"
            return f"{part.ways}-way splitter{leg}{_serves(part.serves if others else ())}"
        case Coupler():
            return f"{part.value_db} dB coupler, {part.leg} output{_serves(part.serves if others else ())}"
        case Amplifier():
            return f"amplifier {part.gain_db:+g} dB, return {part.return_gain_db:+g} dB"
        case Filter():
            return f"filter {part.name}"
        case Pad():
            return f"{part.loss_db:g} dB pad"
        case Joint():
            return part.name
        case _:
            assert_never(part)


def _serves(others: Sequence[str]) -> str:
    return f" (also serves {', '.join(others)})" if others else ""
