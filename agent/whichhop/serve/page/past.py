"""The last week by the day, and behind it the month: a bar for who was at fault how long, and it in words."""

from datetime import date

from whichhop.model.bulletin import Bulletin
from whichhop.model.past_fault import DayTotal, PastDays, SpanTotal
from whichhop.report.times import how_long
from whichhop.serve.page.markup import Markup, join, tag
from whichhop.serve.page.sentence import places

DAY_MIN = 24 * 60
_LEAST_WIDTH = 0.5
"""Percent of the day; a shorter bar would not be seen."""


def past(days: PastDays, bulletin: Bulletin) -> Markup:
    """The newest day first."""
    newest = list(reversed(days.days))
    week, rest = newest[: days.week.days], newest[days.week.days :]
    return join(
        tag("p", _sentence(days.week, newest, bulletin), class_="lead"),
        tag("ol", [_row(d, first=d is newest[0]) for d in week], class_="days"),
        tag("p", f"Days are those of the home's zone, {days.zone}.", class_="aside"),
        tag(
            "details",
            tag("summary", "The last month"),
            tag("p", _sentence(days.month, newest, bulletin), class_="lead"),
            tag("ol", [_row(d) for d in rest], class_="days"),
            id="past-month",
        ),
    )


def _length(minutes: int) -> str:
    return how_long(minutes * 60)


def _count(episodes: int) -> str:
    return f"{episodes} episode{'' if episodes == 1 else 's'}"


def _sentence(span: SpanTotal, newest: list[DayTotal], bulletin: Bulletin) -> str:
    """What a span adds up to; never more than was judged."""
    here = newest[: span.days]
    unknown = sum(d.not_judged_min for d in here)
    if unknown >= sum(d.length_min for d in here) and not span.episodes:
        return f"Nothing was judged in {span.days} days."
    links = {link.name: link for link in bulletin.links}
    if span.episodes:
        words = f"In {span.days} days {_count(span.episodes)} of fault, {_length(span.fault_min)}"
        at = [f"{p.episodes} at {places(p.elements, links)}" for p in span.places]
        words += f": {'; '.join(at)}"
        left = span.episodes - sum(p.episodes for p in span.places)
        words += f"; {left} elsewhere." if left else "."
    else:
        words = f"No fault found in {span.days} days."
    return f"{words} Not judged: {_length(unknown)}." if unknown else words


def _parts(day: DayTotal) -> list[tuple[str, int, int, str]]:
    return [
        ("bar-home", day.home_min, day.home_episodes, "the home's to fix"),
        ("bar-provider", day.provider_min, day.provider_episodes, "the provider's, or further"),
        ("bar-nobody", day.others_min, day.others_episodes, "another's, or cannot tell"),
    ]


def _words(day: DayTotal) -> str:
    said = [f"{_count(n)}, {_length(minutes)}, {whose}" for _, minutes, n, whose in _parts(day) if n]
    if day.not_judged_min >= day.length_min and not said:
        return "not judged"
    said = said or ["No fault found"]
    if day.not_judged_min:
        said.append(f"not judged for {_length(day.not_judged_min)}")
    return "; ".join(said)


def _levels(day: DayTotal) -> str:
    said = []
    if day.down_low_dbmv is not None and day.down_high_dbmv is not None:
        said.append(f"downstream power {day.down_low_dbmv:.1f} to {day.down_high_dbmv:.1f} dBmV")
    if day.snr_low_db is not None:
        said.append(f"lowest SNR {day.snr_low_db:.1f} dB")
    if day.up_high_dbmv is not None:
        said.append(f"highest upstream power {day.up_high_dbmv:.1f} dBmV")
    if day.uncorrectable is not None:
        said.append(f"{day.uncorrectable:,} uncorrectable codewords")
    return f"Modem: {', '.join(said)}" if said else ""


def _row(day: DayTotal, *, first: bool = False) -> Markup:
    at = date.fromisoformat(day.day)
    name = f"{at:%a} {day.day}{', so far' if first else ''}"
    levels = _levels(day)
    return tag(
        "li",
        tag("p", tag("b", name), ": ", _words(day), "."),
        _bar(day),
        tag("p", levels, ".", class_="aside") if levels else None,
    )


def _bar(day: DayTotal) -> Markup:
    """Lengths beside each other, not at their hours: what stood at once may fill more than its share."""
    lengths = [(kind, minutes) for kind, minutes, _, _ in _parts(day) if minutes]
    if day.not_judged_min:
        lengths.append(("unheard", day.not_judged_min))
    whole = max(DAY_MIN, day.length_min, sum(minutes for _, minutes in lengths))
    drawn, x = (
        [tag("rect", class_="ground", width=f"{100 * day.length_min / whole:.2f}%", height=14, y=0)],
        0.0,
    )
    for kind, minutes in lengths:
        width = min(max(_LEAST_WIDTH, 100 * minutes / whole), 100 - x)
        drawn.append(tag("rect", class_=f"bar {kind}", x=f"{x:.2f}%", width=f"{width:.2f}%", y=1, height=12))
        x += width
    return tag("svg", drawn, width="100%", height=14, aria_hidden="true", focusable="false")
