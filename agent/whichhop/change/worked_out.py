"""A modem's level after a change against what the cable run promised."""

import math

from whichhop.change.effect import ChangeEffect

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
