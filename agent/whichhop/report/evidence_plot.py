"""Draws the one series that shows why a hop is slow: bars, and a line beside them where there is one."""

from collections.abc import Iterator
from html import escape
from zoneinfo import ZoneInfo

from whichhop.model.figure_words import instant_words
from whichhop.model.inner_cause import Drawing
from whichhop.model.units import NS_PER_S
from whichhop.report.plot import nice_top, text, time_marks

WIDTH, HIGH, LEFT, TOP, FOOT = 760.0, 110.0, 52.0, 24.0, 36.0
SHARE_TOP = 100.0
"""What stands beside is a share in percent."""


def evidence_words(drawing: Drawing, zone: ZoneInfo) -> str:
    """The drawing in a sentence, for readers who do not see it; times in the home's zone."""
    most = max(drawing.y)
    place = drawing.y.index(most)
    at_ns = drawing.at_ns(place)
    at = f"{drawing.x[place]:.4g} {drawing.x_words}" if at_ns is None else instant_words(at_ns, zone)
    beside = f"; the line: {drawing.beside_words}" if drawing.beside else ""
    return f"{drawing.title}: at most {most:.4g} {drawing.y_words}, at {at}{beside}"


def _marks(drawing: Drawing, zone: ZoneInfo) -> Iterator[tuple[float, str]]:
    """What stands below the bars: a place counted in bars, and its words."""
    if drawing.start_ns is None:
        for i in range(0, len(drawing.x), max(1, len(drawing.x) // 8)):
            yield i + 0.5, f"{drawing.x[i]:.4g}"
        return
    bar_s = 2 * drawing.x[0]  # its middle is half a bar from the begin
    end_ns = drawing.start_ns + round(bar_s * len(drawing.x) * NS_PER_S)
    for at_ns, words in time_marks(drawing.start_ns, end_ns, zone):
        yield (at_ns - drawing.start_ns) / NS_PER_S / bar_s, words


def draw_evidence(drawing: Drawing, zone: ZoneInfo) -> str:
    """One SVG element without a colour of its own; see `plot.style`."""
    most, step = nice_top(max(drawing.y))
    wide = (WIDTH - LEFT - 12) / len(drawing.y)
    bottom = TOP + HIGH
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {bottom + FOOT:g}" role="img"'
        f' font-family="system-ui, sans-serif" aria-label="{escape(evidence_words(drawing, zone))}">',
        text(LEFT, TOP - 9, f"{drawing.title}, {drawing.y_words}", "ink"),
    ]
    for n in range(round(most / step) + 1):
        y = bottom - HIGH * n * step / most
        out.append(f'<path class="p-rule" d="M{LEFT} {y:.1f}H{WIDTH - 12}" stroke-width="0.8"/>')
        out.append(text(LEFT - 6, y + 3.5, f"{n * step:g}", anchor="end", size=10))
    for i, value in enumerate(drawing.y):
        high = HIGH * max(0.0, value) / most
        out.append(
            f'<rect class="t-l0" x="{LEFT + i * wide + 0.5:.1f}" y="{bottom - high:.1f}"'
            f' width="{max(wide - 1, 0.5):.1f}" height="{high:.1f}"/>'
        )
    if drawing.beside:
        top = max(SHARE_TOP, *drawing.beside)
        points = (
            f"{LEFT + (i + 0.5) * wide:.1f} {bottom - HIGH * v / top:.1f}"
            for i, v in enumerate(drawing.beside)
        )
        out.append(f'<path class="p-bad" d="M{"L".join(points)}" stroke-width="1.6"/>')
        out.append(text(WIDTH - 12, TOP - 9, f"line: {drawing.beside_words}", "bad", anchor="end"))
    for place, words in _marks(drawing, zone):
        out.append(text(LEFT + place * wide, bottom + 14, words, anchor="middle", size=10))
    out.append(text((LEFT + WIDTH) / 2, bottom + 29, drawing.x_words, anchor="middle", size=10))
    out.append("</svg>")
    return "".join(out)
