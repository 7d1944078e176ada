"""Judges the rooms of a walk, compares two walks, and says so in words."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

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
RATE_DOUBT = 0.1
"""Two transfers through the same air may differ by so much for no reason (common practice)."""


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


def judged(result: RoomResult, plan_down_bps: float | None) -> Judged:
    """How one room stands; the worst of its figures decides, and is named."""
    loss = wilson(result.lost, result.sent)
    quality, why = _stands(result, loss, plan_down_bps)
    return Judged(result=result, quality=quality, why=why, loss=loss)


def _stands(r: RoomResult, loss: Interval, plan: float | None) -> tuple[Quality, str]:
    if not r.answered:
        why = (
            f"none of {r.sent} packets was answered"
            if r.sent
            else "there is no network: nothing could be sent"
        )
        return Quality.DEAD, why
    lost = f"{r.lost} of {r.sent} packets lost ({loss.low:.1%} to {loss.high:.1%})"
    if loss.low >= DEAD_LOSS or r.unsent > r.sent:
        return Quality.DEAD, lost if loss.low >= DEAD_LOSS else f"{r.unsent} packets could not be sent at all"
    slow = r.p95_s or 0.0
    words = f"one round trip in twenty takes {slow * 1e3:.0f} ms or more"
    share = r.down_bps / plan if r.down_bps is not None and plan and not r.down_at_least else None
    rate = f"{(r.down_bps or 0) / 1e6:.1f} Mb/s down, of {(plan or 0) / 1e6:g} Mb/s that are paid for"
    for bad, why in (
        (loss.low > POOR_LOSS, lost),
        (slow > POOR_S, words),
        (share is not None and share < POOR_SHARE, rate),
    ):
        if bad:
            return Quality.POOR, why
    for bad, why in (
        (r.lost > 1 and loss.high > POOR_LOSS, lost),
        (slow > FAIR_S, words),
        (share is not None and share < FAIR_SHARE, rate),
    ):
        if bad:
            return Quality.FAIR, why
    return Quality.GOOD, "nothing to complain of"


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One figure of one room in two walks. low, high: the 95 % interval of after less before, in `unit`.

    better: None where the interval holds zero, so that the walks do not differ for sure.
    """

    room: str
    figure: str
    unit: str
    before: float
    after: float
    low: float
    high: float
    better: bool | None

    @property
    def words(self) -> str:
        """The change as a reader sees it."""
        sure = "no sure difference" if self.better is None else "better" if self.better else "worse"
        return (
            f"{self.room}: {self.figure} {_shown(self.before, self.unit)} before, "
            f"{_shown(self.after, self.unit)} now; {sure} "
            f"(by {_shown(self.low, self.unit)} to {_shown(self.high, self.unit)})"
        )


def _shown(value: float, unit: str) -> str:
    return {
        "ratio": f"{value * 100:.1f} %",
        "s": f"{value * 1e3:.1f} ms",
        "bps": f"{value / 1e6:.1f} Mb/s",
    }[unit]


def _change(
    room: str,
    figure: str,
    unit: str,
    pair: tuple[float, float],
    between: tuple[float, float],
    *,
    more_is_better: bool,
) -> Change:
    low, high = between
    better = None if low <= 0 <= high else (low > 0) == more_is_better
    return Change(
        room=room, figure=figure, unit=unit, before=pair[0], after=pair[1], low=low, high=high, better=better
    )


def loss_between(before: RoomResult, after: RoomResult) -> tuple[float, float]:
    """The 95 % interval of the difference of two loss ratios (Newcombe 1998, two samples, method 10)."""
    p, q = after.lost / after.sent, before.lost / before.sent
    a, b = wilson(after.lost, after.sent), wilson(before.lost, before.sent)
    low = p - q - math.hypot(p - a.low, b.high - q)
    high = p - q + math.hypot(a.high - p, q - b.low)
    return low, high


def _median_between(before: RoomResult, after: RoomResult) -> tuple[float, float] | None:
    """Of two medians' difference, from the medians' own intervals (square and add, as for proportions)."""
    ends = (before.p50_s, before.p50_low_s, before.p50_high_s, after.p50_s, after.p50_low_s, after.p50_high_s)
    if any(e is None for e in ends):
        return None
    q, b_low, b_high, p, a_low, a_high = (float(e or 0.0) for e in ends)
    return p - q - math.hypot(p - a_low, b_high - q), p - q + math.hypot(a_high - p, q - b_low)


def _rate_between(before: float, after: float, spreads: tuple[float, float]) -> tuple[float, float]:
    """A transfer is one measurement: its doubt is its slots' spread, but a tenth at least."""
    doubt = math.hypot(before * max(spreads[0], RATE_DOUBT), after * max(spreads[1], RATE_DOUBT))
    return after - before - doubt, after - before + doubt


def changes(before: Sequence[RoomResult], after: Sequence[RoomResult]) -> tuple[Change, ...]:
    """Every figure that both walks have, by room, with the interval of its change."""
    old = {r.room: r for r in before}
    out = []
    for now in after:
        was = old.get(now.room)
        if was is None:
            continue
        if was.sent and now.sent:
            pair = (was.lost / was.sent, now.lost / now.sent)
            out.append(_change(now.room, "loss", "ratio", pair, loss_between(was, now), more_is_better=False))
        between = _median_between(was, now)
        if between is not None and was.p50_s is not None and now.p50_s is not None:
            out.append(
                _change(now.room, "round trip", "s", (was.p50_s, now.p50_s), between, more_is_better=False)
            )
        for way in ("down", "up"):
            a, b = getattr(was, f"{way}_bps"), getattr(now, f"{way}_bps")
            if a is not None and b is not None:
                spreads = (getattr(was, f"{way}_spread") or 0.0, getattr(now, f"{way}_spread") or 0.0)
                out.append(
                    _change(
                        now.room,
                        f"rate {way}",
                        "bps",
                        (a, b),
                        _rate_between(a, b, spreads),
                        more_is_better=True,
                    )
                )
    return tuple(out)
