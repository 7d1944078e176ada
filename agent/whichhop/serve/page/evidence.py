"""Draws the one series that shows why a hop is slow: bars, and a line beside them where there is one."""

from collections.abc import Sequence

from whichhop.model.inner_cause import Drawing
from whichhop.serve.page.markup import Markup, tag

WIDE, HIGH = 400.0, 90.0


def _path(values: Sequence[float], most: float) -> str:
    step = WIDE / len(values)
    points = [f"{(i + 0.5) * step:.1f} {HIGH - HIGH * v / most:.1f}" for i, v in enumerate(values)]
    return "M" + "L".join(points)


def evidence(drawing: Drawing | None) -> Markup | None:
    """The drawing with its words; None where there is none to draw."""
    if drawing is None or not drawing.y or max(drawing.y) <= 0:
        return None
    most, step = max(drawing.y), WIDE / len(drawing.y)
    bars = [
        tag(
            "rect",
            x=i * step + 0.5,
            y=HIGH - HIGH * v / most,
            width=max(step - 1, 0.5),
            height=HIGH * v / most,
            class_="bar",
        )
        for i, v in enumerate(drawing.y)
    ]
    line = (
        tag("path", d=_path(drawing.beside, max(100.0, *drawing.beside)), class_="beside")
        if drawing.beside
        else None
    )
    most_at = drawing.x[drawing.y.index(most)]
    words = f"{drawing.title}: at most {most:.4g} {drawing.y_words} at {most_at:.4g} {drawing.x_words}."
    ends = f"{drawing.x[0]:.4g} to {drawing.x[-1]:.4g} {drawing.x_words}"
    return tag(
        "figure",
        tag(
            "svg",
            bars,
            line,
            viewBox=f"0 0 {WIDE:.0f} {HIGH:.0f}",
            role="img",
            aria_label=words,
            class_="evidence",
        ),
        tag(
            "figcaption",
            f"{words} Across: {ends}.",
            f" The line: {drawing.beside_words}." if drawing.beside else "",
        ),
        class_="evidence",
    )
