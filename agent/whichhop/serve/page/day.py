"""The last day: episodes on a time line with what was changed, and the same as a list."""

from collections import Counter

from whichhop.compare.words import owner_words
from whichhop.model import CAUSE_TABLE, Cause, Owner, Verdict
from whichhop.model.bulletin import Bulletin, ToldVerdict
from whichhop.model.figure_words import utc_of
from whichhop.model.note import Note
from whichhop.model.units import NS_PER_S
from whichhop.serve.page.drawings import hatch, mark
from whichhop.serve.page.figures import Inside, Markup, ago, how_long, join, tag, when
from whichhop.serve.page.sentence import Mood, blame, places, sure_words

HOUR_NS = 3600 * NS_PER_S
DAY_NS = 24 * HOUR_NS
TICK_HOURS = 3
SHOWN = 6
"""The list shows this many at once; the rest is behind a "more"."""
FLAG_WIDTH = 6.0
"""Of the axis in per cent; a flag of 18 points fills that on the narrowest phone."""
MOST_FLAGS = 15
"""The newest; more would not fit beside each other."""
MOST_LANES = 8
_LEAST_WIDTH = 0.5
"""Percent of the day; a shorter bar would not be seen."""
_BARS = {Owner.HOME: "bar-home", Owner.PROVIDER: "bar-provider", Owner.PROVIDER_OR_FURTHER: "bar-provider"}


class _Axis:
    """Where an instant of the last day lies, in percent."""

    def __init__(self, bulletin: Bulletin) -> None:
        self.end_ns = bulletin.at_ns
        self.start_ns = bulletin.at_ns - DAY_NS
        self.since_ns = max(self.start_ns, bulletin.since_ns)

    def at(self, at_ns: int) -> float:
        return max(0.0, min(100.0, 100 * (at_ns - self.start_ns) / DAY_NS))

    def bar(self, start_ns: int, end_ns: int, kind: str, y: int, height: int) -> Markup:
        x = self.at(start_ns)
        width = max(_LEAST_WIDTH, self.at(end_ns) - x)
        return tag(
            "rect",
            class_=kind,
            x=f"{min(x, 100 - width):.2f}%",
            width=f"{width:.2f}%",
            y=y,
            height=height,
        )

    def upright(self, at_ns: int, kind: str, height: int) -> Markup:
        x = f"{self.at(at_ns):.2f}%"
        return tag("line", class_=kind, x1=x, x2=x, y1=0, y2=height)


def _episodes(bulletin: Bulletin) -> list[ToldVerdict]:
    return [t for t in bulletin.told if t.verdict.cause is not Cause.HEALTHY]


def _lanes(told: list[ToldVerdict]) -> dict[tuple[str, ...], list[ToldVerdict]]:
    out: dict[tuple[str, ...], list[ToldVerdict]] = {}
    for one in told:
        out.setdefault(one.verdict.elements, []).append(one)
    return out


def _ticks(axis: _Axis) -> list[int]:
    first = -(-axis.start_ns // HOUR_NS)
    hours = range(first, axis.end_ns // HOUR_NS + 1)
    return [h * HOUR_NS for h in hours if h % TICK_HOURS == 0]


def _foot(axis: _Axis) -> Markup:
    ticks = []
    for i, at_ns in enumerate(_ticks(axis)):
        if 2 < axis.at(at_ns) < 98:
            at = utc_of(at_ns)
            kind = "tick" if i % 2 else "tick odd"
            ticks.append(
                tag(
                    "text",
                    f"{at:%H:%M}",
                    class_=kind,
                    x=f"{axis.at(at_ns):.2f}%",
                    y=14,
                    text_anchor="middle",
                    data_at=f"{at:%Y-%m-%dT%H:%M:%SZ}",
                )
            )
    return tag("svg", ticks, class_="axis", width="100%", height=20, aria_hidden="true", focusable="false")


def _lane(axis: _Axis, name: str, bars: list[Markup], notes: tuple[Note, ...]) -> Markup:
    inside = [
        tag("rect", class_="ground", width="100%", height=20, y=0),
        *(axis.upright(at, "hour", 20) for at in _ticks(axis)),
        axis.bar(axis.start_ns, axis.since_ns, "unheard", 0, 20) if axis.since_ns > axis.start_ns else None,
        *bars,
        *(axis.upright(m.at_ns, "change", 20) for m in notes),
    ]
    drawn = tag("svg", inside, width="100%", height=20, aria_hidden="true", focusable="false")
    return tag("div", tag("p", name), drawn, class_="lane")


def _bars(axis: _Axis, told: list[ToldVerdict]) -> list[Markup]:
    out = []
    for one in told:
        verdict = one.verdict
        kind = _BARS.get(CAUSE_TABLE[verdict.cause].owner, "bar-nobody")
        end = axis.end_ns if verdict.end_ns is None else verdict.end_ns
        out.append(axis.bar(verdict.start_ns, end, f"bar {kind}", 3, 14))
    return out


def _apart(places: list[float]) -> list[float]:
    """Places on the axis in per cent, in order, moved as little as keeps flags from covering each other."""
    out: list[float] = []
    for place in places:
        out.append(max(place, 3.0, out[-1] + FLAG_WIDTH if out else 0.0))
    right = 97.0
    for i in reversed(range(len(out))):
        out[i] = min(out[i], right)
        right = out[i] - FLAG_WIDTH
    return out


def _flags(axis: _Axis, notes: tuple[Note, ...]) -> Markup | None:
    """The changes as numbered flags over the lanes; the list gives each number's text."""
    if not notes:
        return None
    inside = []
    places = _apart([axis.at(one.at_ns) for one in notes[-MOST_FLAGS:]])
    for number, x in enumerate(places, len(notes) - len(places) + 1):
        inside.append(tag("circle", class_="flag", cx=f"{x:.2f}%", cy=10, r=9))
        inside.append(tag("text", str(number), class_="flag", x=f"{x:.2f}%", y=14, text_anchor="middle"))
    drawn = tag("svg", inside, width="100%", height=20, aria_hidden="true", focusable="false")
    return tag("div", tag("p", "changed in the home"), drawn, class_="lane flags")


def _line(bulletin: Bulletin, told: list[ToldVerdict], notes: tuple[Note, ...]) -> Markup:
    axis = _Axis(bulletin)
    lanes = _lanes(told)
    links = {link.name: link for link in bulletin.links}
    rows = [
        _lane(axis, places(names, links), _bars(axis, those), notes)
        for names, those in list(lanes.items())[:MOST_LANES]
    ]
    if not rows:
        rows = [_lane(axis, "no episode", [], notes)]
    note = (
        f"{len(lanes) - MOST_LANES} more places are in the list below." if len(lanes) > MOST_LANES else None
    )
    return tag(
        "div",
        hatch(),
        _flags(axis, notes),
        rows,
        _foot(axis),
        tag("p", note, class_="aside") if note else None,
        class_="line",
    )


def _sure(verdict: Verdict) -> str:
    sure = f"{sure_words(verdict)}. {owner_words(verdict)}".strip()
    return f"{sure[0].upper()}{sure[1:]}"


def _item(told: ToldVerdict, bulletin: Bulletin, number: int) -> Markup:
    """One episode. `number` tells apart those that began at once, so that a name lasts as news come in."""
    verdict = told.verdict
    links = {link.name: link for link in bulletin.links}
    end = verdict.end_ns
    if end is None:
        length = tag("b", f"ongoing, {ago(verdict.start_ns, bulletin.at_ns)} so far")
    else:
        length = tag("span", how_long((end - verdict.start_ns) / NS_PER_S))
    why = [tag("li", w) for w in told.words]
    owner = CAUSE_TABLE[verdict.cause].owner
    return tag(
        "li",
        tag("p", when(verdict.start_ns, bulletin.at_ns, end), " · ", length, class_="span"),
        tag("p", tag("span", class_=f"key {_BARS.get(owner, 'bar-nobody')}"), " ", blame(verdict, links)),
        tag(
            "p",
            _sure(verdict),
            class_="aside",
        ),
        tag(
            "details",
            tag("summary", "Why this is thought"),
            tag("ul", why),
            id=f"why-{verdict.start_ns}-{number}",
        )
        if why
        else None,
        class_="episode",
    )


def _change(number: int, one: Note, bulletin: Bulletin) -> Markup:
    return tag(
        "li",
        tag("p", when(one.at_ns, bulletin.at_ns), class_="span"),
        tag("p", tag("span", str(number), class_="flag"), " Changed: ", one.text),
        class_="changed",
    )


def day(bulletin: Bulletin) -> Markup:
    """The time line and the list, newest first."""
    told = _episodes(bulletin)
    notes = tuple(
        sorted((m for m in bulletin.notes if m.at_ns > bulletin.at_ns - DAY_NS), key=lambda m: m.at_ns)
    )
    begun: Counter[int] = Counter()
    dated = []
    for one in reversed(told):  # from the oldest on
        begun[one.verdict.start_ns] += 1
        dated.append((one.verdict.start_ns, _item(one, bulletin, begun[one.verdict.start_ns])))
    dated += [(m.at_ns, _change(n, m, bulletin)) for n, m in enumerate(notes, 1)]
    items = [item for _, item in sorted(dated, key=lambda pair: -pair[0])]
    rest = items[SHOWN:]
    return join(
        _line(bulletin, told, notes),
        _key(),
        tag("ol", items[:SHOWN], class_="episodes") if items else _nothing(bulletin),
        tag(
            "details",
            tag("summary", f"{len(rest)} earlier"),
            tag("ol", rest, class_="episodes"),
            id="earlier",
        )
        if rest
        else None,
    )


def _nothing(bulletin: Bulletin) -> Markup:
    axis = _Axis(bulletin)
    since: Inside = " in the last day."
    if axis.since_ns > axis.start_ns:
        since = (" since judging began at ", when(axis.since_ns, bulletin.at_ns), ".")
    return tag("p", mark(Mood.NO_FAULT), " No episode and no change", since, class_="none")


def _key() -> Markup:
    rows = (
        ("bar-home", "the home's to fix"),
        ("bar-provider", "the provider's, or further"),
        ("bar-nobody", "another's, or cannot tell"),
        ("unheard", "not judged"),
    )
    return tag(
        "ul",
        [tag("li", tag("span", class_=f"key {kind}"), " ", words) for kind, words in rows],
        class_="legend",
        aria_label="How the episodes are drawn",
    )
