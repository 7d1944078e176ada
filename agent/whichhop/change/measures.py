"""Every measure that before and after are compared by, what nobody notices; a level against its promise."""

import math

from whichhop.change.effect import ChangeEffect, ComparedMeasure

WEATHER = 0.6
"""How likely, before any data, that a level's days resemble their neighbours: cables and amplifiers follow
the temperature (attenuation rises by about 0.2 % a kelvin, common practice), which lasts for days."""

_ROWS = (
    ComparedMeasure(
        name="p50_s",
        words="delay, median",
        unit="ms",
        better=-1,
        least=0.001,
        shown=".1f",
        grain=1e-5,
        scale=1e3,
    ),
    ComparedMeasure(
        name="p95_s",
        words="delay, 95 %",
        unit="ms",
        better=-1,
        least=0.005,
        shown=".1f",
        grain=5e-5,
        scale=1e3,
    ),
    ComparedMeasure(
        name="pdv_s", words="variation", unit="ms", better=-1, least=0.005, shown=".1f", grain=5e-5, scale=1e3
    ),
    ComparedMeasure(
        name="loss", words="loss", unit="%", better=-1, least=0.001, shown=".2f", grain=1e-6, scale=100.0
    ),
    ComparedMeasure(
        name="rating", words="call rating R", unit="", better=1, least=3.0, shown=".0f", grain=0.1
    ),
    ComparedMeasure(
        name="rate_bps",
        words="rate",
        unit="Mbit/s",
        better=1,
        least=0.05,
        shown=".1f",
        grain=1e-3,
        scale=1e-6,
        relative=True,
    ),
    ComparedMeasure(
        name="power_dbmv",
        words="power",
        unit="dBmV",
        better=1,
        least=0.5,
        shown=".1f",
        grain=0.05,
        day_memory=WEATHER,
        good=(-7.0, 7.0),
    ),
    ComparedMeasure(
        name="transmit_dbmv",
        words="transmit level",
        unit="dBmV",
        better=-1,
        least=0.5,
        shown=".1f",
        grain=0.05,
        day_memory=WEATHER,
    ),
    ComparedMeasure(
        name="mer_db",
        words="SNR",
        unit="dB",
        better=1,
        least=0.5,
        shown=".1f",
        grain=0.05,
        day_memory=WEATHER,
    ),
    ComparedMeasure(
        name="uncorrectable",
        words="lost codewords",
        unit="per million",
        better=-1,
        least=1e-6,
        shown=".1f",
        grain=1e-9,
        scale=1e6,
    ),
    ComparedMeasure(
        name="margin_db",
        words="noise margin",
        unit="dB",
        better=1,
        least=1.0,
        shown=".1f",
        grain=0.05,
        day_memory=WEATHER,
    ),
    ComparedMeasure(
        name="attenuation_db",
        words="attenuation",
        unit="dB",
        better=-1,
        least=0.5,
        shown=".1f",
        grain=0.05,
        day_memory=WEATHER,
    ),
    ComparedMeasure(
        name="receive_dbm",
        words="light",
        unit="dBm",
        better=1,
        least=0.5,
        shown=".1f",
        grain=0.05,
        day_memory=WEATHER,
        good=(-27.0, -8.0),
    ),
)
"""Least shifts are our own choice: 1 ms is under what any program feels, R moves by 10 from one category of
ITU-T G.109 to the next, modems' levels wander by 0.5 dB over a day (common practice), transfers are steady
within 2 %. Grains are what one hour's value is rounded to or known to at best: microseconds for delay,
tenths of a decibel for modems' levels, a thousandth of a rate. Good ranges as in cabling/rules.py:
downstream power by common practice, light by G.984.2's B+."""

MEASURES: dict[str, ComparedMeasure] = {m.name: m for m in _ROWS}

SAME_DB = 1.0
"""Printed losses of splitters and cables hold within 0.5 dB each (common practice), so two of them within
1."""


def against_worked_out(expected_db: float, effect: ChangeEffect) -> str:
    """What was expected beside what was measured, in a clause; "" where nothing was measured.

    "As worked out" is said only when the interval leaves no change out and holds what was expected, within
    SAME_DB: a level that wandered by itself is no proof.
    """
    change, low, high = effect.change, effect.low, effect.high
    if change is None or low is None or high is None:
        return ""
    words = f"expected {expected_db:+.1f} dB, measured {change:+.1f} dB"
    if math.isinf(low) or math.isinf(high):
        return f"{words}, too few days to tell how the level wanders by itself"
    words += f" ({low:+.1f} to {high:+.1f})"
    holds = low - SAME_DB <= expected_db <= high + SAME_DB
    if low <= 0.0 <= high:
        if holds:
            return f"{words}: not told yet from how the level wanders by itself"
        return f"{words}: the level did not change as expected; is the part on the path to this modem?"
    if holds:
        return f"{words}: as worked out"
    way = "more" if change > expected_db else "less"
    return f"{words}: {abs(change - expected_db):.1f} dB {way} than worked out"
