"""Draws the rooms of a walk as SVG: loss with its interval, round trips, rates; one row a room."""

from collections.abc import Sequence
from enum import StrEnum
from html import escape

from msgspec import Struct

from whichhop.model.figure_words import percent
from whichhop.model.room import RoomResult
from whichhop.report.plot import nice_top, style, text
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

WIDTH, LEFT, ROW, TOP = 760.0, 150.0, 46.0, 52.0
BAND, GAP = 180.0, 24.0


class Quality(StrEnum):
    """How a room stands."""

    GOOD = "good"
    FAIR = "fair"
    POOR = "poor"
    DEAD = "dead"


_TONES = {Quality.DEAD: "bad", Quality.POOR: "bad", Quality.FAIR: "soft", Quality.GOOD: "ink"}


class Judged(Struct, frozen=True, kw_only=True):
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


class _Band:
    """One column of the drawing with its scale."""

    def __init__(self, place: int, title: str, most: float, scale: float) -> None:
        self.left = LEFT + place * (BAND + GAP)
        self.title, self.scale = title, scale
        self.most, self.step = nice_top(most * scale)

    def x(self, value: float) -> float:
        return self.left + BAND * min(value * self.scale, self.most) / self.most

    def head(self, bottom: float) -> str:
        parts = [text(self.left, 18, self.title, "ink")]
        for i in range(round(self.most / self.step) + 1):
            at = self.left + BAND * i * self.step / self.most
            parts.append(f'<path class="p-rule" d="M{at:.1f} {TOP - 8:.1f}V{bottom:.1f}"/>')
            parts.append(text(at, TOP - 14, f"{i * self.step:g}", anchor="middle", size=9))
        return "".join(parts)

    def line(self, y: float, low: float, high: float, tone: str, width: float) -> str:
        return (
            f'<path class="p-{tone}" stroke-width="{width:g}" d="M{self.x(low):.1f} {y:.1f}'
            f'H{max(self.x(high), self.x(low) + 1):.1f}"/>'
        )

    def dot(self, y: float, value: float, tone: str) -> str:
        return f'<circle class="t-{tone}" cx="{self.x(value):.1f}" cy="{y:.1f}" r="3.2"/>'


def _row(one: Judged, y: float, bands: tuple[_Band, _Band, _Band]) -> str:
    loss, trip, rate = bands
    r = one.result
    tone = _TONES[one.quality]
    out = [text(0, y, r.room[:22], "ink", size=12), text(0, y + 14, one.quality.value, tone, size=11)]
    if r.sent:
        out += [loss.line(y, one.loss.low, one.loss.high, "l3", 2), loss.dot(y, r.lost / r.sent, "l3")]
    else:
        out.append(text(loss.left + 4, y + 4, "nothing could be sent", "bad", size=10))
    if r.p50_s is not None:
        low = r.p50_low_s if r.p50_low_s is not None else r.p50_s
        high = r.p50_high_s if r.p50_high_s is not None else r.p50_s
        out.append(trip.line(y, r.p50_s, r.p95_s if r.p95_s is not None else r.p50_s, "l0", 1))
        out += [trip.line(y, low, high, "l0", 4), trip.dot(y, r.p50_s, "l0")]
    elif r.sent:
        out.append(text(trip.left + 4, y + 4, "no answer", "bad", size=10))
    for at, value, kind in ((y - 4, r.down_bps, "l1"), (y + 5, r.up_bps, "l2")):
        if value is not None:
            out.append(rate.line(at, 0.0, value, kind, 5))
    return "".join(out)


def draw_rooms(rooms: Sequence[Judged], title: str) -> str:
    """A drawing that stands alone, for screen and paper, in light and dark."""
    bottom = TOP + ROW * len(rooms)
    most_loss = max((j.loss.high for j in rooms if j.result.sent), default=0.0)
    trips = [v for j in rooms for v in (j.result.p95_s, j.result.p50_high_s, j.result.p50_s) if v is not None]
    rates = [v for j in rooms for v in (j.result.down_bps, j.result.up_bps) if v is not None]
    bands = (
        _Band(0, "Lost, %", max(most_loss, 0.01), 100),
        _Band(1, "Round trip, ms", max(trips, default=0.01), 1e3),
        _Band(2, "Rate, Mbit/s", max(rates, default=1e6), 1e-6),
    )
    dead = [j.result.room for j in rooms if j.quality is Quality.DEAD]
    shows = f"{len(rooms)} rooms; dead: {', '.join(dead) or 'none'}"
    parts = [b.head(bottom) for b in bands]
    parts += [_row(one, TOP + ROW * i + 14, bands) for i, one in enumerate(rooms)]
    note = "Loss: dot and 95 % interval. Round trip: median with its interval, thin to the 95 % quantile."
    parts.append(text(0, bottom + 14, note, size=10))
    parts.append(text(0, bottom + 29, "Rate: down above, up below.", size=10))
    dark = f"@media(prefers-color-scheme:dark){{{style(dark=True)}.back{{fill:#16191d}}}}"
    height = bottom + 38
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="-12 -10 {WIDTH + 24:g} {height + 14:g}" role="img"'
        f' aria-label="{escape(title)}: {escape(shows)}" font-family="system-ui, sans-serif">'
        f"<title>{escape(title)}</title><style>.back{{fill:#fff}}{style()}{dark}</style>"
        f'<rect class="back" x="-12" y="-10" width="{WIDTH + 24:g}" height="{height + 14:g}"/>'
        + "".join(parts)
        + "</svg>\n"
    )
