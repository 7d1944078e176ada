"""Draws charts as SVG: round trips, loss and own traffic on one time axis, with its round marks."""

import math
from collections.abc import Sequence
from datetime import timedelta
from html import escape
from zoneinfo import ZoneInfo

from whichhop.model.dossier import Chart
from whichhop.model.figure_words import utc_of
from whichhop.model.units import NS_PER_S

_STEPS_S = (10, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200)
_DAYS = (1, 2, 5, 7, 14, 30)

# Colour-blind safe (Okabe and Ito 2008), darkened where paper needs contrast; lines differ in dashes as well.
_LIGHT = {
    "ink": "#1c1f24", "soft": "#5b626b", "rule": "#d8dce1", "shade": "#f6d9c4", "other": "#e6e8eb",
    "l0": "#0072b2", "l1": "#007a5a", "l2": "#8a4f7d", "l3": "#b34700", "bad": "#b34700", "paper": "#ffffff",
}  # fmt: skip
_DARK = {
    "ink": "#eceff2", "soft": "#a9b1ba", "rule": "#3a4048", "shade": "#5a3a26", "other": "#33383f",
    "l0": "#56b4e9", "l1": "#3cc79b", "l2": "#d59bc6", "l3": "#f0883e", "bad": "#f0883e", "paper": "#16191d",
}  # fmt: skip
DASHES = ("", "7 3", "2 2.5", "10 3 2 3")
WIDTH, LEFT, RIGHT = 760.0, 52.0, 162.0
PANELS = (("Round trip, ms", 170.0), ("Packets lost, %", 90.0), ("Own traffic, % of plan", 64.0))
GAP, TOP, FOOT = 26.0, 24.0, 40.0

Values = Sequence[float | None]


def nice_top(value: float) -> tuple[float, float]:
    """A round top at or over `value`, and a step that divides it in four or five."""
    if value <= 0:
        return 1.0, 0.25
    size = 10.0 ** math.floor(math.log10(value))
    for top, step in ((1, 0.25), (2, 0.5), (2.5, 0.5), (4, 1), (5, 1), (8, 2), (10, 2.5)):
        if value <= top * size * (1 + 1e-9):
            return top * size, step * size
    return 10 * size, 2.5 * size


def time_marks(start_ns: int, end_ns: int, zone: ZoneInfo, most: int = 8) -> list[tuple[int, str]]:
    """Instants and their local words, at most `most`; midnight carries the date.

    Marks lie on round local times, so that after a clock change they are round still.
    """
    length_s = (end_ns - start_ns) / NS_PER_S
    if length_s > most * _STEPS_S[-1]:
        return _day_marks(start_ns, end_ns, zone, most)
    step = next((s for s in _STEPS_S if length_s / s <= most), _STEPS_S[-1])
    out: list[tuple[int, str]] = []
    at = utc_of(start_ns)
    before = None
    slot = min(step, 900)  # offsets are whole quarters of an hour
    second = int(at.timestamp()) // slot * slot
    while second * NS_PER_S <= end_ns:
        here = utc_of(second * NS_PER_S).astimezone(zone)
        of_day = here.hour * 3600 + here.minute * 60 + here.second
        if second * NS_PER_S >= start_ns and of_day % step == 0:
            words = f"{here:%H:%M:%S}" if step < 60 else f"{here:%H:%M}"
            if of_day == 0 or not out:
                words = f"{here:%m-%d} {words}"
            if before not in (None, here.utcoffset()):
                words += " (clock changed)"
            before = here.utcoffset()
            out.append((second * NS_PER_S, words))
        second += slot
    return out


def _day_marks(start_ns: int, end_ns: int, zone: ZoneInfo, most: int) -> list[tuple[int, str]]:
    days = (end_ns - start_ns) / NS_PER_S / 86400
    step = next((d for d in _DAYS if days / d <= most), math.ceil(days / most))
    day = utc_of(start_ns).astimezone(zone).replace(hour=0, minute=0, second=0)
    out: list[tuple[int, str]] = []
    while True:
        at_ns = int(day.timestamp()) * NS_PER_S
        if at_ns > end_ns:
            return out
        if at_ns >= start_ns:
            out.append((at_ns, f"{day:%m-%d}"))
        day = day + timedelta(days=step)  # wall-clock arithmetic: midnight stays midnight


def style(dark: bool = False) -> str:
    """The CSS that gives the drawings their colours."""
    c = _DARK if dark else _LIGHT
    rules = [f".p-{n}{{stroke:{c[n]};fill:none}}" for n in ("l0", "l1", "l2", "l3")]
    rules += [f".t-{n}{{fill:{c[n]}}}" for n in ("l0", "l1", "l2", "l3")]
    return "".join(
        [
            f".p-rule{{stroke:{c['rule']};fill:none}}.p-ink{{stroke:{c['ink']};fill:none}}",
            f".p-soft{{stroke:{c['soft']};fill:none}}.p-bad{{stroke:{c['bad']};fill:none}}",
            f".f-shade{{fill:{c['shade']}}}.f-other{{fill:{c['other']}}}.f-soft{{fill:{c['soft']}}}",
            f".f-paper{{fill:{c['paper']}}}.t-ink{{fill:{c['ink']}}}.t-soft{{fill:{c['soft']}}}",
            f".t-bad{{fill:{c['bad']}}}",
            *rules,
        ]
    )


def text(
    x: float, y: float, words: str, tone: str = "soft", *, anchor: str = "start", size: float = 11
) -> str:
    """One line of text."""
    return (
        f'<text class="t-{tone}" x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size:g}">'
        f"{escape(words)}</text>"
    )


def _stroke(path: str, kind: str, width: float, dash: str = "", fade: float = 1.0) -> str:
    more = f' stroke-dasharray="{dash}"' if dash else ""
    more += f' stroke-opacity="{fade:g}"' if fade < 1 else ""
    return f'<path class="p-{kind}" d="{path}" stroke-width="{width:g}" stroke-linejoin="round"{more}/>'


class _Panel:
    """One band of the chart: its place, its scale, and how a series becomes a path."""

    def __init__(self, chart: Chart, top: float, height: float, most: float) -> None:
        self.chart, self.top, self.height = chart, top, height
        self.most, self.step = nice_top(most)
        bins = len(chart.use) or 1
        self.wide = (WIDTH - LEFT - RIGHT) / bins

    def x(self, place: float) -> float:
        return LEFT + place * self.wide

    def y(self, value: float) -> float:
        return self.top + self.height * (1 - min(value, self.most) / self.most)

    def path(self, values: Values, scale: float) -> str:
        """Breaks where a value is not known: nothing is drawn over what was not measured."""
        out, pen = [], "M"
        for i, value in enumerate(values):
            if value is None:
                pen = "M"
                continue
            out.append(f"{pen}{self.x(i + 0.5):.1f} {self.y(max(0.0, value * scale)):.1f}")
            if pen == "M" and (i + 1 == len(values) or values[i + 1] is None):
                out.append(f"h{max(self.wide / 2, 1):.1f}")  # a lone value is drawn as a short dash
            pen = "L"
        return "".join(out)

    def frame(self, title: str) -> list[str]:
        out = [text(LEFT, self.top - 7, title, "ink")]
        count = round(self.most / self.step)
        for n in range(count + 1):
            value = n * self.step
            y = self.y(value)
            out.append(_stroke(f"M{LEFT} {y:.1f}H{WIDTH - RIGHT}", "rule", 0.8))
            if n % 2 == 0 or self.height > 100:
                out.append(text(LEFT - 6, y + 3.5, f"{value:g}", anchor="end", size=10))
        return out


def _highest(rows: Sequence[Values], scale: float, least: float) -> float:
    return max([least, *(v * scale for row in rows for v in row if v is not None)])


def _spread(wanted: Sequence[float], low: float, high: float, apart: float = 13.0) -> list[float]:
    """Labels moved apart as little as needed, kept between two heights."""
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    placed = [0.0] * len(wanted)
    at = low
    for i in order:
        placed[i] = max(wanted[i], at)
        at = placed[i] + apart
    over = at - apart - high
    if over > 0:
        at = high
        for i in reversed(order):
            placed[i] = min(placed[i], at)
            at = placed[i] - apart
    return placed


def _last(values: Values) -> float:
    return next((v for v in reversed(values) if v is not None), 0.0)


def draw(chart: Chart, zone: ZoneInfo) -> str:
    """The chart as one SVG element without a colour of its own; see `style`."""
    end_ns = chart.start_ns + chart.step_ns * len(chart.use)
    tops, at = [], TOP
    for _, height in PANELS:
        tops.append(at)
        at += height + GAP
    bottom = at - GAP
    total = bottom + FOOT
    trips = _Panel(chart, tops[0], PANELS[0][1], _highest([ln.peak_s for ln in chart.lines], 1e3, 1.0))
    losses = _Panel(chart, tops[1], PANELS[1][1], _highest([ln.loss for ln in chart.lines], 100, 5.0))
    use = _Panel(chart, tops[2], PANELS[2][1], _highest([chart.use], 100, 100.0))

    def across(at_ns: int) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * (at_ns - chart.start_ns) / (end_ns - chart.start_ns)

    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {total:g}" role="img"'
        f' font-family="system-ui, sans-serif" aria-label="{escape(describe(chart))}">'
    ]
    for first, last, ours in chart.shaded:
        x, wide = across(first), max(1.5, across(last) - across(first))
        kind = "shade" if ours else "other"
        out.append(
            f'<rect class="f-{kind}" x="{x:.1f}" y="{TOP}" width="{wide:.1f}" height="{bottom - TOP:g}"/>'
        )
    for panel, (title, _) in zip((trips, losses, use), PANELS, strict=True):
        out += panel.frame(title)
    for i, line in enumerate(chart.lines):
        kind, dash = f"l{i % 4}", DASHES[i % 4]
        if line.peak_s != line.middle_s:
            out.append(_stroke(trips.path(line.peak_s, 1e3), kind, 0.7, fade=0.55))
        out.append(_stroke(trips.path(line.middle_s, 1e3), kind, 1.7, dash))
        out.append(_stroke(losses.path(line.loss, 100), kind, 1.5, dash))
    if any(v is not None for v in chart.use):
        out.append(_stroke(use.path(chart.use, 100), "ink", 1.4))
    else:
        out.append(text(LEFT + 6, tops[2] + PANELS[2][1] / 2, "not measured: no byte counters"))
    heights = _spread(
        [trips.y(_last(ln.middle_s) * 1e3) + 4 for ln in chart.lines], tops[0] + 8, tops[0] + 165
    )
    for i, (line, y) in enumerate(zip(chart.lines, heights, strict=True)):
        out.append(_stroke(f"M{WIDTH - RIGHT + 4} {y - 4:.1f}h22", f"l{i % 4}", 1.8, DASHES[i % 4]))
        out.append(text(WIDTH - RIGHT + 30, y, line.label, f"l{i % 4}", size=10.5))
    out.append(_stroke(f"M{LEFT} {bottom:g}H{WIDTH - RIGHT}", "ink", 1))
    for at_ns, words in time_marks(chart.start_ns, end_ns, zone):
        x = across(at_ns)
        out.append(_stroke(f"M{x:.1f} {bottom:g}v4", "ink", 1))
        out.append(text(x, bottom + 16, words, anchor="middle", size=10))
    out.append(
        text((LEFT + WIDTH - RIGHT) / 2, bottom + 32, f"local time, {zone.key}", anchor="middle", size=10)
    )
    out.append("</svg>")
    return "".join(out)


def describe(chart: Chart) -> str:
    """The chart in a sentence, for readers who do not see it."""
    ours = sum(1 for *_, mine in chart.shaded if mine)
    names = ", ".join(line.label for line in chart.lines)
    return (
        f"{chart.title}: round trips and loss of {names}, and the home's own traffic, on one time axis; "
        f"{ours} shaded stretches are the episodes this report is about"
    )
