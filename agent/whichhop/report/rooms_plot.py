"""Draws the rooms of a walk as SVG: loss with its interval, round trips, rates; one row a room."""

from collections.abc import Sequence
from html import escape

from whichhop.report.plot import style, text
from whichhop.report.rooms import Judged, Quality
from whichhop.report.ticks import nice_top

WIDTH, LEFT, ROW, TOP = 760.0, 150.0, 46.0, 52.0
BAND, GAP = 180.0, 24.0
_TONES = {Quality.DEAD: "bad", Quality.POOR: "bad", Quality.FAIR: "soft", Quality.GOOD: "ink"}


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
