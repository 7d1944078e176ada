"""The last week by the day and the month behind it; and the one series that shows why a hop is slow."""

from collections.abc import Mapping, Sequence
from datetime import date

from whichhop.model.bulletin import Bulletin, LinkNow
from whichhop.model.inner_cause import Drawing
from whichhop.model.past_fault import DayPart, DayTotal, PastDays, SpanTotal, Whose
from whichhop.report.words import HARD
from whichhop.serve.page.figures import Inside, Markup, how_long, join, tag, when
from whichhop.serve.page.sentence import places

DAY_MIN = 24 * 60
HOURS = (6, 12, 18)
"""The upright lines of a day."""
_LEAST_WIDTH = 0.5
"""Percent of the day; a shorter bar would not be seen."""
_HEIGHT = 12
KINDS = {
    Whose.UNHEARD: ("unheard", "not judged"),
    Whose.OTHERS: ("bar-nobody", "another's, or cannot tell"),
    Whose.PROVIDER: ("bar-provider", "the provider's, or further"),
    Whose.HOME: ("bar-home", "the home's to fix"),
}
"""How each is drawn and called, as in the last day; what is drawn later covers what was drawn before."""

WIDE, HIGH = 400.0, 90.0


def past(days: PastDays, bulletin: Bulletin) -> Markup:
    """The newest day first."""
    links = {link.name: link for link in bulletin.links}
    newest = list(reversed(days.days))
    week, rest = newest[: days.week.days], newest[days.week.days :]
    return join(
        tag("p", _sentence(days.week, links), class_="first"),
        _list(week, today=newest[0]),
        tag(
            "p",
            f"Each bar is a day from midnight to midnight, {days.zone}; lines at 6, 12 and 18 h.",
            class_="aside",
        ),
        tag(
            "details",
            tag("summary", "The last month"),
            tag("p", _sentence(days.month, links)),
            _list(rest, today=newest[0]),
            id="past-month",
        ),
    )


def _sentence(span: SpanTotal, links: Mapping[str, LinkNow]) -> str:
    """What a span adds up to; never more than was judged."""
    unheard = f" Not judged: {how_long(span.unheard_min * 60)}." if span.unheard_min else ""
    if not span.episodes:
        if span.unheard_min >= span.length_min:
            return f"Nothing was judged in {span.days} days."
        part = "what was judged of " if span.unheard_min else ""
        return f"No fault found in {part}{span.days} days.{unheard}"
    at = [f"{p.episodes} at {places(p.elements, links)}" for p in span.places]
    if left := span.episodes - sum(p.episodes for p in span.places):
        at.append(f"{left} elsewhere")
    found = f"{_count(span.episodes)} in {span.days} days, {how_long(span.fault_min * 60)} of fault"
    return f"{found}: {'; '.join(at)}.{unheard}"


def _count(episodes: int) -> str:
    return f"{episodes} episode{'' if episodes == 1 else 's'}"


def _list(days: Sequence[DayTotal], *, today: DayTotal) -> Markup:
    """Days; a run of those of which nothing is known is one line."""
    rows: list[Inside] = []
    unknown: list[DayTotal] = []
    for day in (*days, None):
        if day is not None and day is not today and not day.episodes and day.unheard_min >= day.length_min:
            unknown.append(day)
            continue
        if unknown:
            first, last = unknown[-1].day, unknown[0].day
            name = last if first == last else f"{first} to {last}"
            rows.append(tag("li", tag("p", tag("b", name), ": not judged"), class_="blank"))
            unknown = []
        if day is not None:
            rows.append(_row(day, today=day is today))
    return tag("ol", rows, class_="days")


def _row(day: DayTotal, *, today: bool) -> Markup:
    name = f"{date.fromisoformat(day.day):%a} {day.day}"
    return tag(
        "li",
        tag("p", tag("b", name), f"{' so far' if today else ''}: {_words(day)}"),
        _bar(day, today=today),
    )


def _words(day: DayTotal) -> str:
    said = [
        f"{_count(day.episodes[whose])} ({KINDS[whose][1]}), {how_long(day.minutes.get(whose, 0) * 60)}"
        for whose in reversed(KINDS)
        if day.episodes.get(whose)
    ]
    if day.unheard_min >= day.length_min and not said:
        return "not judged"
    said = said or ["no fault found"]
    if day.unheard_min:
        said.append(f"not judged for {how_long(day.unheard_min * 60)}")
    return "; ".join(said)


def _bar(day: DayTotal, *, today: bool) -> Markup:
    """The day at its hours; one of 23 or 25 hours is as wide as the others."""
    whole = max(DAY_MIN, day.length_min) if today else day.length_min

    def share(minute: int) -> float:
        return 100 * minute / whole

    def drawn(part: DayPart) -> Markup:
        width = max(_LEAST_WIDTH, share(part.end_min - part.start_min))
        x = f"{min(share(part.start_min), 100 - width):.2f}%"
        kind = f"bar {KINDS[part.whose][0]}"
        return tag("rect", class_=kind, x=x, width=f"{width:.2f}%", y=1, height=_HEIGHT)

    def upright(hour: int) -> Markup:
        x = f"{share(hour * 60):.2f}%"
        return tag("line", class_="hour", x1=x, x2=x, y1=0, y2=_HEIGHT + 2)

    order = list(KINDS)
    inside = [
        tag("rect", class_="ground", width=f"{share(day.length_min):.2f}%", height=_HEIGHT + 2, y=0),
        [upright(hour) for hour in HOURS],
        [drawn(part) for part in sorted(day.parts, key=lambda p: order.index(p.whose))],
    ]
    return tag("svg", inside, width="100%", height=_HEIGHT + 2, aria_hidden="true", focusable="false")


def _path(values: Sequence[float], most: float) -> str:
    step = WIDE / len(values)
    points = [f"{(i + 0.5) * step:.1f} {HIGH - HIGH * v / most:.1f}" for i, v in enumerate(values)]
    return "M" + "L".join(points)


def evidence(drawing: Drawing | None, now_ns: int) -> Markup | None:
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
    words = f"{drawing.title}: at most {most:.4g}{HARD}{drawing.y_words}"
    highest, first, last = (drawing.at_ns(i) for i in (drawing.y.index(most), 0, -1))
    at: Inside = f"{drawing.x[drawing.y.index(most)]:.4g} {drawing.x_words}"
    ends: Inside = f"{drawing.x[0]:.4g} to {drawing.x[-1]:.4g} {drawing.x_words}"
    if highest is not None and first is not None and last is not None:
        at, ends = when(highest, now_ns), when(first, now_ns, last)
    return tag(
        "figure",
        tag(
            "svg",
            bars,
            line,
            viewBox=f"0 0 {WIDE:.0f} {HIGH:.0f}",
            role="img",
            aria_label=f"{words}.",
            class_="evidence",
        ),
        tag(
            "figcaption",
            words,
            " at ",
            at,
            ". From left to right: ",
            ends,
            ".",
            f" The line: {drawing.beside_words}." if drawing.beside else None,
        ),
        class_="evidence",
    )
