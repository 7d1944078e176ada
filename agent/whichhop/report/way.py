"""Draws the way out as a row of boxes, the link at fault drawn thick."""

from collections.abc import Collection, Sequence
from html import escape

from whichhop.model import Home, Link
from whichhop.report.plot import text

BOX, HIGH, PAD = 92.0, 34.0, 8.0


def draw_way(home: Home, nodes: Sequence[str], links: Sequence[Link], suspects: Collection[str]) -> str:
    """One SVG element: boxes in the order of the way, agents marked, suspects drawn thick and named."""
    count = len(nodes)
    total = 760.0
    gap = max(24.0, (total - 2 * PAD - count * BOX) / max(1, count - 1))
    total = max(total, 2 * PAD + count * BOX + (count - 1) * gap)
    words = "Path to the internet: " + ", ".join(nodes) + "; at fault: " + ", ".join(suspects)
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {total:g} 84" role="img"'
        f' font-family="system-ui, sans-serif" aria-label="{escape(words)}">'
    ]
    for i, link in enumerate(links):
        x1 = PAD + i * (BOX + gap) + BOX
        bad = link.name in suspects
        kind, wide, dash = ("bad", 5.0, ' stroke-dasharray="6 3"') if bad else ("soft", 1.6, "")
        out.append(f'<path class="p-{kind}" d="M{x1:.1f} 35h{gap:.1f}" stroke-width="{wide:g}"{dash}/>')
        if bad:
            out.append(text(x1 + gap / 2, 12, "here", "bad", anchor="middle", size=12))
        out.append(text(x1 + gap / 2, 72, str(link.medium or link.kind), anchor="middle", size=9.5))
    for i, name in enumerate(nodes):
        x = PAD + i * (BOX + gap)
        node = home.nodes.get(name)
        suspect = any(s.partition(":")[2] == name for s in suspects if ":" in s)
        kind = "bad" if suspect else "ink"
        wide = 3 if suspect else 1.2
        out.append(
            f'<rect class="f-paper" x="{x:.1f}" y="18" width="{BOX:g}" height="{HIGH:g}" rx="3"/>'
            f'<rect class="p-{kind}" x="{x:.1f}" y="18" width="{BOX:g}" height="{HIGH:g}" rx="3"'
            f' stroke-width="{wide}"/>'
        )
        short = name if len(name) <= 15 else name[:14] + "…"
        out.append(text(x + BOX / 2, 39, short, "ink", anchor="middle", size=11.5))
        if node is not None and node.agent:
            out.append(text(x + BOX / 2, 64, "measures", anchor="middle", size=9.5))
    out.append("</svg>")
    return "".join(out)
