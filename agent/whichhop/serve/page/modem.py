"""A modem's levels on the page: how they stand, what was not read, a day by the hour, a month by the day."""

from collections.abc import Callable, Mapping, Sequence

from whichhop.cabling.rules import RULES
from whichhop.model.channel import LevelSpan, ModemNow
from whichhop.model.units import NS_PER_S
from whichhop.serve.page.drawings import mark
from whichhop.serve.page.figures import Markup, tag, when
from whichhop.serve.page.sentence import Mood

_MOODS = {"good": Mood.NO_FAULT, "marginal": Mood.UNSURE, "doubtful": Mood.UNSURE, "bad": Mood.FAULT}
LEAST_SPANS = 2
"""Of one hour or day there is nothing to see over time."""
HOUR_NS = 3600 * NS_PER_S
DAY_NS = 24 * HOUR_NS
WIDTH, HEIGHT = 240, 40


def modem(one: ModemNow, now_ns: int, dates: Mapping[int, str]) -> Markup:
    """One modem. dates: of the days in the home's zone, by the instant at which they begin."""
    mood = _MOODS.get(one.standing, Mood.WAITING)
    rows = [tag("li", words) for words in one.complaints]
    told = [tag("li", f"{words}.") for words in one.figures]
    lacking = tag("p", f"Not read: {', '.join(one.not_read)}.", class_="aside") if one.not_read else None
    return tag(
        "div",
        tag("p", mark(mood), " ", tag("b", one.node), f": {one.headline}.", class_="state"),
        tag("ul", rows, class_="complaints") if rows else None,
        lacking,
        _over_time(one.hours, HOUR_NS, "over the last day", "an hour", {}),
        _over_month(one.days, dates, one.node),
        tag("details", tag("summary", "Figures"), tag("ul", told), id=f"levels-{one.node}") if told else None,
        tag("p", "Read at ", when(one.at_ns, now_ns), ".", class_="aside"),
        class_=f"modem {mood}",
    )


_Value = Callable[[LevelSpan], float | None]
_Row = tuple[str, str, _Value, float | None, float | None]
_SERIES: tuple[_Row, ...] = (
    ("downstream power, lowest", "dBmV", lambda h: h.down_low_dbmv, RULES["down-power-practice"].low, None),
    (
        "downstream power, highest",
        "dBmV",
        lambda h: h.down_high_dbmv,
        None,
        RULES["down-power-practice"].high,
    ),
    ("downstream SNR, lowest", "dB", lambda h: h.snr_low_db, RULES["snr-poor"].low, None),
    ("upstream power, highest", "dBmV", lambda h: h.up_high_dbmv, None, RULES["up-power-practice"].high),
    ("uncorrectable codewords {}", "", lambda h: h.uncorrectable, None, None),
)
"""What is drawn over time, with the limit that technicians keep to (common practice)."""


def _over_month(days: Sequence[LevelSpan], dates: Mapping[int, str], node: str) -> Markup | None:
    drawn = _over_time(days, DAY_NS, "over the last month", "a day", dates)
    if drawn is None:
        return None
    return tag("details", tag("summary", "The last month, day by day"), drawn, id=f"level-days-{node}")


def _over_time(
    spans: Sequence[LevelSpan], step_ns: int, when_words: str, each: str, dates: Mapping[int, str]
) -> Markup | None:
    drawn = [_strip(spans, step_ns, row, each, dates) for row in _SERIES]
    kept = [d for d in drawn if d is not None]
    return tag("ul", kept, class_="strips", aria_label=f"Levels {when_words}") if kept else None


def _strip(
    spans: Sequence[LevelSpan], step_ns: int, row: _Row, each: str, dates: Mapping[int, str]
) -> Markup | None:
    """One kind of level as a line over time; the words beside it tell its span to who does not see it."""
    name, unit, value, low, high = row
    points = [(h.start_ns, v) for h in spans if (v := value(h)) is not None]
    if len(points) < LEAST_SPANS:
        return None
    values = [v for _, v in points]
    limit = low if low is not None else high
    ends = values if limit is None else [*values, limit]
    least, most = min(ends), max(ends)
    if most - least < 1.0:
        least, most = least - 0.5, most + 0.5
    first, last = spans[0].start_ns, max(spans[-1].start_ns, spans[0].start_ns + 1)

    def across(at_ns: int) -> float:
        return WIDTH * (at_ns - first) / (last - first)

    def down(level: float) -> float:
        return HEIGHT - 3 - (HEIGHT - 6) * (level - least) / (most - least)

    lines = [
        tag("polyline", points=" ".join(f"{across(at):.1f},{down(v):.1f}" for at, v in run), class_="level")
        for run in _runs(points, step_ns)
    ]
    shown = "{:,.0f}" if not unit else "{:.1f}"
    words = f"{shown.format(min(values))} to {shown.format(max(values))} {unit}".rstrip()
    worst_ns, _ = min(points, key=lambda p: p[1] if low is not None else -p[1])
    on = f", worst on {dates[worst_ns]}" if worst_ns in dates and min(values) < max(values) else ""
    wanted = f"; limit {limit:g} {unit}" if limit is not None else ""
    return tag(
        "li",
        tag("p", tag("b", name.format(each)), f": {words}{on}{wanted}"),
        tag(
            "svg",
            None
            if limit is None
            else tag(
                "line", class_="limit", x1=0, x2=WIDTH, y1=f"{down(limit):.1f}", y2=f"{down(limit):.1f}"
            ),
            lines,
            viewBox=f"0 0 {WIDTH} {HEIGHT}",
            preserveAspectRatio="none",
            class_="strip",
            aria_hidden="true",
            focusable="false",
        ),
    )


def _runs(points: Sequence[tuple[int, float]], step_ns: int) -> list[list[tuple[int, float]]]:
    """Points in runs without a gap, since of a gap nothing is known; one alone is drawn half a step long."""
    runs: list[list[tuple[int, float]]] = []
    for at_ns, level in points:
        if runs and at_ns - runs[-1][-1][0] < 2 * step_ns:
            runs[-1].append((at_ns, level))
        else:
            runs.append([(at_ns, level)])
    return [run if len(run) > 1 else [*run, (run[0][0] + step_ns // 2, run[0][1])] for run in runs]
