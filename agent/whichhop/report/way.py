"""Draws the path to the internet as a row of boxes, or as a column for a telephone."""

from collections.abc import Collection, Sequence
from html import escape

from whichhop.model import Home, Link
from whichhop.report.plot import text

BOX, HIGH, PAD = 92.0, 34.0, 8.0
TALL_BOX, TALL_GAP, TALL_WIDE = 168.0, 46.0, 340.0
"""Of the column: as wide as a telephone of 360 px shows it, so that its letters stay nearly as large."""


def draw_way(home: Home, nodes: Sequence[str], links: Sequence[Link], suspects: Collection[str]) -> str:
    """One SVG element: boxes in the order of the way, agents marked, suspects drawn thick and named."""
    count = len(nodes)
    total = 760.0
    gap = max(24.0, (total - 2 * PAD - count * BOX) / max(1, count - 1))
    total = max(total, 2 * PAD + count * BOX + (count - 1) * gap)
    out = [_head(total, 84, nodes, suspects)]
    for i, link in enumerate(links):
        x1 = PAD + i * (BOX + gap) + BOX
        out.append(_line(f"M{x1:.1f} 35h{gap:.1f}", link, suspects))
        if link.name in suspects:
            out.append(text(x1 + gap / 2, 12, "here", "bad", anchor="middle", size=12))
        out.append(text(x1 + gap / 2, 72, str(link.medium or link.kind), anchor="middle", size=9.5))
    for i, name in enumerate(nodes):
        x = PAD + i * (BOX + gap)
        out.append(_box(x, 18, BOX, name, suspects))
        short = name if len(name) <= 15 else name[:14] + "…"
        out.append(text(x + BOX / 2, 39, short, "ink", anchor="middle", size=11.5))
        if _measures(home, name):
            out.append(text(x + BOX / 2, 64, "measures", anchor="middle", size=9.5))
    return "".join([*out, "</svg>"])


def draw_way_down(home: Home, nodes: Sequence[str], links: Sequence[Link], suspects: Collection[str]) -> str:
    """The same from top to bottom: on a telephone all of it is seen, and what is at fault first of all."""
    step = HIGH + TALL_GAP
    out = [_head(TALL_WIDE, 2 * PAD + len(nodes) * step - TALL_GAP, nodes, suspects)]
    middle, beside = PAD + TALL_BOX / 2, PAD + TALL_BOX + 14
    for i, link in enumerate(links):
        y = PAD + i * step + HIGH
        out.append(_line(f"M{middle:.1f} {y:.1f}v{TALL_GAP:g}", link, suspects))
        bad = link.name in suspects
        words, tone = f"{link.medium or link.kind}{', here' if bad else ''}", "bad" if bad else "soft"
        out.append(text(middle + 14, y + TALL_GAP / 2 + 4, words, tone, size=13))
    for i, name in enumerate(nodes):
        y = PAD + i * step
        out.append(_box(PAD, y, TALL_BOX, name, suspects))
        short = name if len(name) <= 22 else name[:21] + "…"
        out.append(text(middle, y + HIGH / 2 + 4.5, short, "ink", anchor="middle", size=13))
        if _measures(home, name):
            out.append(text(beside, y + HIGH / 2 + 4.5, "measures", size=13))
    return "".join([*out, "</svg>"])


def _head(wide: float, high: float, nodes: Sequence[str], suspects: Collection[str]) -> str:
    words = "Path to the internet: " + ", ".join(nodes) + "; at fault: " + ", ".join(suspects)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide:g} {high:g}" role="img"'
        f' font-family="system-ui, sans-serif" aria-label="{escape(words)}">'
    )


def _line(path: str, link: Link, suspects: Collection[str]) -> str:
    bad = link.name in suspects
    kind, wide, dash = ("bad", 5.0, ' stroke-dasharray="6 3"') if bad else ("soft", 1.6, "")
    return f'<path class="p-{kind}" d="{path}" stroke-width="{wide:g}"{dash}/>'


def _box(x: float, y: float, wide: float, name: str, suspects: Collection[str]) -> str:
    suspect = any(s.partition(":")[2] == name for s in suspects if ":" in s)
    kind, stroke = ("bad", 3) if suspect else ("ink", 1.2)
    place = f'x="{x:.1f}" y="{y:g}" width="{wide:g}" height="{HIGH:g}" rx="3"'
    return f'<rect class="f-paper" {place}/><rect class="p-{kind}" {place} stroke-width="{stroke}"/>'


def _measures(home: Home, name: str) -> bool:
    node = home.nodes.get(name)
    return node is not None and node.agent
