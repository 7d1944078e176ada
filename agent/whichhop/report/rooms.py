"""Judges the rooms of a walk, and says why."""

from dataclasses import dataclass
from enum import StrEnum

from whichhop.model.percent import percent
from whichhop.model.room import RoomResult
from whichhop.stats.proportion import Interval, wilson

DEAD_LOSS = 0.2
"""Surely a fifth lost: nothing but waiting works there. Our own choice."""
POOR_LOSS = 0.02
"""From 2 % on calls suffer (common practice)."""
POOR_S, FAIR_S = 0.15, 0.05
"""95 % quantiles to a box inside the home, where a few milliseconds are usual: 150 ms is the delay from which
talkers notice (ITU-T G.114, one way for the whole call)."""
POOR_SHARE, FAIR_SHARE = 0.1, 0.5
"""Of the plan's rate. Our own choice."""
POOR_BPS, FAIR_BPS = 1e6, 4e6
"""One video call takes 1 to 4 Mbit/s each way (common practice); where the plan itself has less, its share
alone counts."""


class Quality(StrEnum):
    """How a room stands."""

    GOOD = "good"
    FAIR = "fair"
    POOR = "poor"
    DEAD = "dead"


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """A room's result, how it stands, why, and its loss with the 95 % interval (Wilson)."""

    result: RoomResult
    quality: Quality
    why: str
    loss: Interval


def judged(result: RoomResult, plan_down_bps: float | None, plan_up_bps: float | None = None) -> Judged:
    """How one room stands; the worst of its figures decides, and is named."""
    loss = wilson(result.lost, result.sent)
    quality, why = _stands(result, loss, (plan_down_bps, plan_up_bps))
    return Judged(result=result, quality=quality, why=why, loss=loss)


def _rate_stands(
    bps: float | None, at_least: float | None, plan: float | None, way: str
) -> tuple[Quality, str]:
    """How a rate stands by the plan's and by what a call takes; good where something else was the limit."""
    if bps is None or at_least:
        return Quality.GOOD, ""
    paid = f", of {plan / 1e6:g} Mbit/s that are paid for" if plan else ""
    why = f"{bps / 1e6:.1f} Mbit/s {way}{paid}"
    for quality, share, least in (
        (Quality.POOR, POOR_SHARE, POOR_BPS),
        (Quality.FAIR, FAIR_SHARE, FAIR_BPS),
    ):
        enough = least if plan is None else min(least, plan * FAIR_SHARE)
        if bps < enough or (plan is not None and bps < plan * share):
            return quality, why
    return Quality.GOOD, ""


def _stands(r: RoomResult, loss: Interval, plan: tuple[float | None, float | None]) -> tuple[Quality, str]:
    if not r.answered:
        why = (
            f"none of {r.sent} packets was answered"
            if r.sent
            else "there is no network: nothing could be sent"
        )
        return Quality.DEAD, why
    tried = r.sent + r.unsent
    gone = wilson(r.lost + r.unsent, tried)
    unsent = wilson(r.unsent, tried)
    lost = f"{r.lost} of {r.sent} packets lost ({percent(loss.low, 1)} to {percent(loss.high, 1)})"
    span = f"{percent(unsent.low, 1)} to {percent(unsent.high, 1)}"
    held = f"{r.unsent} of {tried} packets could not be sent at all ({span})"
    worst = held if r.unsent > r.lost else lost
    if gone.low >= DEAD_LOSS:
        return Quality.DEAD, worst
    slow = r.p95_s or 0.0
    words = f"one round trip in twenty takes {slow * 1e3:.0f} ms or more"
    down = _rate_stands(r.down_bps, r.down_at_least, plan[0], "down")
    up = _rate_stands(r.up_bps, r.up_at_least, plan[1], "up")
    for bad, why in (
        (gone.low > POOR_LOSS, worst),
        (slow > POOR_S, words),
        (down[0] is Quality.POOR, down[1]),
        (up[0] is Quality.POOR, up[1]),
    ):
        if bad:
            return Quality.POOR, why
    for bad, why in (
        (r.lost + r.unsent > 1 and gone.high > POOR_LOSS, worst),
        (slow > FAIR_S, words),
        (down[0] is Quality.FAIR, down[1]),
        (up[0] is Quality.FAIR, up[1]),
    ):
        if bad:
            return Quality.FAIR, why
    return Quality.GOOD, "nothing to complain of"
