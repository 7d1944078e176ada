"""Draws the one series that shows why a hop is slow: bars, and a line beside them where there is one."""

from html import escape

from whichhop.model.inner_cause import Drawing
from whichhop.report.plot import nice_top, text

WIDTH, HIGH, LEFT, TOP, FOOT = 760.0, 110.0, 52.0, 24.0, 36.0
SHARE_TOP = 100.0
"""What stands beside is a share in percent."""


def evidence_words(drawing: Drawing) -> str:
    """The drawing in a sentence, for readers who do not see it."""
    most = max(drawing.y)
    at = drawing.x[drawing.y.index(most)]
    beside = f"; the line: {drawing.beside_words}" if drawing.beside else ""
    return f"{drawing.title}: at most {most:.4g} {drawing.y_words}, at {at:.4g} {drawing.x_words}{beside}"


def draw_evidence(drawing: Drawing) -> str:
    """One SVG element without a colour of its own; see `plot.style`."""
    most, step = nice_top(max(drawing.y))
    wide = (WIDTH - LEFT - 12) / len(drawing.y)
    bottom = TOP + HIGH
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {bottom + FOOT:g}" role="img"'
        f' font-family="system-ui, sans-serif" aria-label="{escape(evidence_words(drawing))}">',
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
    for i in range(0, len(drawing.x), max(1, len(drawing.x) // 8)):
        out.append(
            text(LEFT + (i + 0.5) * wide, bottom + 14, f"{drawing.x[i]:.4g}", anchor="middle", size=10)
        )
    out.append(text((LEFT + WIDTH) / 2, bottom + 29, drawing.x_words, anchor="middle", size=10))
    out.append("</svg>")
    return "".join(out)
