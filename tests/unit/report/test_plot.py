"""The drawings: values where they belong, gaps left open, colours that readers can tell apart."""

import re
from zoneinfo import ZoneInfo

import pytest
from msgspec.structs import replace

from support.dossiers import dossier
from whichhop.report.plot import draw, style

ZONE = ZoneInfo("Europe/Lisbon")


def luminance(colour: str) -> float:
    """Relative luminance of WCAG 2.1."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(a: str, b: str) -> float:
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize(("dark", "paper"), [(False, "#ffffff"), (True, "#16191d")])
def test_every_text_of_a_drawing_has_the_contrast_that_wcag_asks(dark: bool, paper: str) -> None:
    colours = dict(re.findall(r"\.t-(\w+)\{fill:(#\w+)\}", style(dark)))
    assert {"ink", "soft", "l0", "l1", "l2", "l3"} <= set(colours)
    low = {name: round(contrast(c, paper), 2) for name, c in colours.items() if contrast(c, paper) < 4.5}
    assert not low


def test_lines_differ_by_more_than_colour() -> None:
    svg = draw(dossier().charts[0], ZONE)
    lines = len(dossier().charts[0].lines)
    assert len(set(re.findall(r'stroke-dasharray="([^"]+)"', svg))) == lines - 1


def test_nothing_is_drawn_over_what_was_not_measured() -> None:
    chart = dossier().charts[0]
    line = replace(
        chart.lines[0], middle_s=tuple(None for _ in chart.use), peak_s=tuple(None for _ in chart.use)
    )
    svg = draw(replace(chart, lines=(line,)), ZONE)
    whole = draw(replace(chart, lines=(chart.lines[0],)), ZONE)
    assert svg.count("L") < whole.count("L")


def test_unknown_own_traffic_is_said_and_not_drawn_as_none() -> None:
    chart = dossier().charts[0]
    svg = draw(replace(chart, use=tuple(None for _ in chart.use)), ZONE)
    assert "not measured" in svg
