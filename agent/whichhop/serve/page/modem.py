"""A modem's levels on the page: how they stand, what was not read, and the last day by the hour."""

from collections.abc import Callable, Sequence

from whichhop.cabling.rules import RULES
from whichhop.model.modem_now import LevelHour, ModemNow
from whichhop.serve.page.drawings import mark
from whichhop.serve.page.figures import when
from whichhop.serve.page.markup import Markup, tag
from whichhop.serve.page.sentence import Mood

_MOODS = {"good": Mood.NO_FAULT, "marginal": Mood.UNSURE, "doubtful": Mood.UNSURE, "bad": Mood.FAULT}
LEAST_HOURS = 2
"""Of one hour there is nothing to see over time."""
WIDTH, HEIGHT = 240, 40


def modem(one: ModemNow, now_ns: int) -> Markup:
    """One modem."""
    mood = _MOODS.get(one.standing, Mood.WAITING)
    rows = [tag("li", words) for words in one.complaints]
    told = [tag("li", f"{words}.") for words in one.figures]
    lacking = tag("p", f"Not read: {', '.join(one.not_read)}.", class_="aside") if one.not_read else None
    return tag(
        "div",
        tag("p", mark(mood), " ", tag("b", one.node), f": {one.headline}.", class_="state"),
        tag("ul", rows, class_="complaints") if rows else None,
        lacking,
        _over_time(one.hours),
        tag("details", tag("summary", "Figures"), tag("ul", told), id=f"levels-{one.node}") if told else None,
        tag("p", "Read at ", when(one.at_ns, now_ns), ".", class_="aside"),
        class_=f"modem {mood}",
    )


_Value = Callable[[LevelHour], float | None]
_Row = tuple[str, str, _Value, float | None, float | None]
_SERIES: tuple[_Row, ...] = (
    ("downstream power, lowest", "dBmV", lambda h: h.down_low_dbmv, RULES["down-power-practice"].low, None),
    ("downstream SNR, lowest", "dB", lambda h: h.snr_low_db, RULES["snr-poor"].low, None),
    ("upstream power, highest", "dBmV", lambda h: h.up_high_dbmv, None, RULES["up-power-practice"].high),
    ("uncorrectable codewords an hour", "", lambda h: h.uncorrectable, None, None),
)
"""What is drawn over time, with the limit that technicians keep to (common practice)."""


def _over_time(hours: Sequence[LevelHour]) -> Markup | None:
    drawn = [_strip(hours, row) for row in _SERIES]
    kept = [d for d in drawn if d is not None]
    return tag("ul", kept, class_="strips", aria_label="Levels over the last day") if kept else None


def _strip(hours: Sequence[LevelHour], row: _Row) -> Markup | None:
    """One kind of level as a line over the day; the words beside it tell its span to who does not see it."""
    name, unit, value, low, high = row
    points = [(h.start_ns, v) for h in hours if (v := value(h)) is not None]
    if len(points) < LEAST_HOURS:
        return None
    values = [v for _, v in points]
    ends = [*values, *(limit for limit in (low, high) if limit is not None)]
    least, most = min(ends), max(ends)
    if most - least < 1.0:
        least, most = least - 0.5, most + 0.5
    first, last = hours[0].start_ns, max(hours[-1].start_ns, hours[0].start_ns + 1)

    def across(at_ns: int) -> float:
        return WIDTH * (at_ns - first) / (last - first)

    def down(level: float) -> float:
        return HEIGHT - 3 - (HEIGHT - 6) * (level - least) / (most - least)

    line = " ".join(f"{across(at):.1f},{down(v):.1f}" for at, v in points)
    limits = [
        tag("line", class_="limit", x1=0, x2=WIDTH, y1=f"{down(limit):.1f}", y2=f"{down(limit):.1f}")
        for limit in (low, high)
        if limit is not None
    ]
    shown = "{:,.0f}" if not unit else "{:.1f}"
    span = f"{shown.format(min(values))} to {shown.format(max(values))} {unit}".rstrip()
    limit = low if low is not None else high
    wanted = f"; limit {limit:g} {unit}" if limit is not None else ""
    return tag(
        "li",
        tag("p", tag("b", name), f": {span}{wanted}"),
        tag(
            "svg",
            limits,
            tag("polyline", points=line, class_="level"),
            viewBox=f"0 0 {WIDTH} {HEIGHT}",
            preserveAspectRatio="none",
            class_="strip",
            aria_hidden="true",
            focusable="false",
        ),
    )
