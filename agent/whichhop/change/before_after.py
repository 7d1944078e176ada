"""What a change did, by link, session and modem, over matched hours, with honest intervals. Pure."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import tzinfo
from typing import TypeVar

from msgspec import Struct
from msgspec.structs import replace

from whichhop.change.effect import (
    SHARES_ALPHA,
    ChangeAnswer,
    ChangeEffect,
    Setting,
    share_effect,
    shift_effect,
    together,
)
from whichhop.change.hours import HOUR_NS, HourFigures, HourTable
from whichhop.change.measures import MEASURES
from whichhop.model import Home, Medium, Method, Reading, Session, SessionKey, derive_sessions
from whichhop.model.channel import LevelSeries
from whichhop.model.note import Note
from whichhop.model.transfer import figure_of
from whichhop.stats.looks import alpha_at

WHOLE_ALPHA = 0.05
"""The chance of error of all looks at a change together: the usual one."""
STEADY = frozenset({Method.ECHO, Method.STAMP, Method.TCP})


PAST_HOURS = 21 * 24
"""Three weeks tell how days differ about as well as any more would, and seasons are longer. Our own
choice."""
MANY_SESSIONS = 40
"""Where there are more, sessions do without the past, which takes most of the time and which links use
anyway: a month of 120 sessions is then answered in seconds."""
LINKS_SHARE, MODEM_SHARE, PATHS_SHARE = 0.5, 0.2, 0.3
"""Of the chance of error of everything that is printed together: the links are what is asked for."""


class Spans(Struct, frozen=True, kw_only=True):
    """Whole hours before and after the change, counted from the epoch; ends are left out.

    The hour of the change itself is in neither. past: hours before those, from which only is learned how days
    differ. cut: why a span is shorter than asked for.
    """

    before: range
    after: range
    past: range = range(0)
    cut: tuple[str, ...] = ()


def spans_of(
    at_ns: int,
    *,
    now_ns: int,
    before_ns: int,
    after_ns: int,
    notes: Mapping[int, Note],
    number: int | None,
) -> Spans:
    """The hours to compare, up to `before_ns` and `after_ns` long, cut where another note lies.

    number: the note that is looked at; None for a bare instant, which means whatever is noted in its hour.
    """
    change = at_ns // HOUR_NS
    start, end = -(-(at_ns - before_ns) // HOUR_NS), min(at_ns + after_ns, now_ns) // HOUR_NS
    cut = []
    for other, note in notes.items():
        hour = note.at_ns // HOUR_NS
        itself = other == number or (number is None and hour == change)
        if itself or not start <= hour < end:
            continue
        where = f"note {other} ({note.text})"
        if hour == change:
            cut.append(f"{where} is of the same hour: what the two did cannot be told apart")
        elif hour < change:
            start = max(start, hour + 1)
            cut.append(f"the time before begins after {where}")
        else:
            end = min(end, hour)
            cut.append(f"the time after ends before {where}")
    past = start - PAST_HOURS
    for other, note in notes.items():
        hour = note.at_ns // HOUR_NS
        if other != number and past <= hour < start:  # before that note the home was another
            past = hour + 1
    return Spans(
        before=range(start, max(start, change)),
        after=range(change + 1, max(change + 1, end)),
        past=range(past, start),
        cut=tuple(cut),
    )


class ComparedPart(Struct, frozen=True, kw_only=True):
    """A link, a session or a group of channels with its effects.

    name: links that no session parts come together, joined by " + ". by: the session(s) it was taken from.
    expected_db: what the change was worked out to do to the group's level.
    """

    name: str
    answer: ChangeAnswer
    effects: tuple[ChangeEffect, ...]
    by: str = ""
    expected_db: float | None = None

    @property
    def needed(self) -> int | None:
        """Further days until the first open figure would probably be clear; 0 when none would in two months.

        None when all are clear or nothing was measured.
        """
        needed = [e.needed for e in self.effects if e.needed is not None]
        if not needed or self.answer is not ChangeAnswer.NO_DIFFERENCE:
            return None
        return 0 if 0 in needed else max(needed)

    @property
    def when(self) -> str:
        """The parts of the day or kinds of days that the answer speaks of; "" for all."""
        shown = [e for e in self.effects if e.answer is not ChangeAnswer.NO_DIFFERENCE]
        return "" if any(not e.when for e in shown) else " and ".join(dict.fromkeys(e.when for e in shown))


class BeforeAfter(Struct, frozen=True, kw_only=True):
    """The whole answer. look: how many different looks there were at this change, this one counted.

    confidence: of everything in it together, all looks counted.
    """

    at_ns: int
    spans: Spans
    look: int
    links: tuple[ComparedPart, ...]
    sessions: tuple[ComparedPart, ...]
    modem: tuple[ComparedPart, ...]
    remarks: tuple[str, ...] = ()
    confidence: float = 1 - WHOLE_ALPHA

    @property
    def measured(self) -> bool:
        """True when anything was measured at the same hours of day before and after."""
        parts = (*self.links, *self.sessions, *self.modem)
        return any(part.answer is not ChangeAnswer.UNMEASURED for part in parts)


_Hours = dict[int, HourFigures]
_Counts = dict[int, tuple[float, float]]
_Value = TypeVar("_Value")


class _Split(Struct, frozen=True, kw_only=True):
    """One session's whole hours on both sides."""

    before: _Hours
    after: _Hours
    past: _Hours

    def figures(self, fact: str) -> tuple[dict[int, float], dict[int, float], dict[int, float]]:
        before, after, past = (
            {h: v for h, f in s.items() if (v := getattr(f, fact)) is not None}
            for s in (self.before, self.after, self.past)
        )
        return before, after, past

    def counts(self) -> tuple[_Counts, _Counts, _Counts]:
        before, after, past = (
            {h: (float(f.lost), float(f.sent)) for h, f in s.items()}
            for s in (self.before, self.after, self.past)
        )
        return before, after, past


def split_hours(tables: Iterable[HourTable], spans: Spans) -> dict[SessionKey, _Split]:
    """Each session's whole hours before and after; sessions without any on one side are left out."""
    out = {}
    for table in tables:
        hours = table.whole().hours
        before = {h: f for h, f in hours.items() if h in spans.before}
        after = {h: f for h, f in hours.items() if h in spans.after}
        if before and after:
            past = {h: f for h, f in hours.items() if h in spans.past}
            out[table.session] = _Split(before=before, after=after, past=past)
    return out


class SpanSegment(Struct, frozen=True, kw_only=True):
    """Links that lie between the ends of two sessions of one agent; near None: from the agent itself."""

    links: tuple[str, ...]
    far: SessionKey
    near: SessionKey | None


def segments_of(sessions: Sequence[Session], measured: Iterable[SessionKey]) -> tuple[SpanSegment, ...]:
    """For each stretch of links that measured sessions bound, the pair of sessions with the clearest view.

    That is over the fewest radio links, then over the fewest links. Longer stretches are left out where
    shorter ones cover all of them.
    """
    known = set(measured)
    mine = [s for s in sessions if s.key in known and s.key.method in STEADY]
    best: dict[tuple[str, ...], tuple[tuple[int, int], SpanSegment]] = {}
    for session in mine:
        names = tuple(link.name for link in session.path.links)
        inner = [
            (len(other.path.links), other.key)
            for other in mine
            if other.key.agent == session.key.agent
            and len(other.path.links) < len(names)
            and tuple(k.name for k in other.path.links) == names[: len(other.path.links)]
        ]
        length, near = max(inner, default=(0, None), key=lambda pair: pair[0])
        radio = sum(link.medium is Medium.RADIO for link in session.path.links)
        segment = SpanSegment(links=names[length:], far=session.key, near=near)
        # The same stretch may be crossed either way.
        place = tuple(sorted(segment.links))
        if place not in best or (radio, len(names)) < best[place][0]:
            best[place] = ((radio, len(names)), segment)
    singles = {place[0] for place in best if len(place) == 1}
    return tuple(s for place, (_, s) in best.items() if len(place) == 1 or not set(place) <= singles)


def _less(far: Mapping[int, float], near: Mapping[int, float]) -> dict[int, float]:
    return {hour: value - near[hour] for hour, value in far.items() if hour in near}


def _link(segment: SpanSegment, split: Mapping[SessionKey, _Split], setting: Setting) -> ComparedPart:
    far = split[segment.far]
    near = split[segment.near] if segment.near is not None else None
    effects = []
    for fact in ("p50_s", "p95_s"):
        before_s, after_s, past_s = far.figures(fact)
        if near is not None:
            inner = near.figures(fact)
            before_s, after_s, past_s = map(_less, (before_s, after_s, past_s), inner)
        effects.append(shift_effect(MEASURES[fact], before_s, after_s, setting, past_s))
    before, after, past = far.counts()
    old, new, near_past = near.counts() if near is not None else ({}, {}, {})
    effects.append(
        share_effect(
            MEASURES["loss"],
            before,
            after,
            setting,
            (old, new) if near is not None else None,
            past=(past, near_past),
        )
    )
    by = str(segment.far) + (f" less {segment.near}" if segment.near is not None else "")
    return ComparedPart(
        name=" + ".join(segment.links), answer=together(tuple(effects)), effects=tuple(effects), by=by
    )


def _session(key: SessionKey, split: _Split, setting: Setting) -> ComparedPart:
    """One session's figures; by its kind, a call's rating or delays, and its loss."""
    facts = ("rating",) if key.method is Method.CALL else ("p50_s", "p95_s", "pdv_s")
    effects = []
    for fact in facts:
        before, after, past = split.figures(fact)
        effects.append(shift_effect(MEASURES[fact], before, after, setting, past))
    old, new, earlier = split.counts()
    effects.append(share_effect(MEASURES["loss"], old, new, setting, past=(earlier, {})))
    return ComparedPart(name=str(key), answer=together(tuple(effects)), effects=tuple(effects), by=str(key))


_Rates = tuple[dict[int, float], dict[int, float], dict[int, float]]


def rates_by_hour(readings: Iterable[Reading], spans: Spans) -> dict[str, _Rates]:
    """Per path ("desk to harbour", "desk from harbour") the hours' highest rates, before, after and past."""
    out: dict[str, _Rates] = {}
    for reading in readings:
        figure = figure_of(reading.name)
        hour = reading.at_ns // HOUR_NS
        kinds = (spans.before, spans.after, spans.past)
        kind = next((i for i, hours in enumerate(kinds) if hour in hours), None)
        if figure is None or figure.name != "rate_bps" or kind is None:
            continue
        word = {"out": "to", "back": "from"}[figure.way]
        side = out.setdefault(f"{reading.agent} {word} {figure.other_end}", ({}, {}, {}))[kind]
        side[hour] = max(side.get(hour, 0.0), reading.value)
    return {path: sides for path, sides in out.items() if sides[0] and sides[1]}


def _level_effect(one: LevelSeries, past: range, setting: Setting) -> ChangeEffect:
    measure = MEASURES[one.fact]

    def cut(hours: Mapping[int, _Value]) -> tuple[dict[int, _Value], dict[int, _Value]]:
        recent = {h: v for h, v in hours.items() if h not in past}
        return recent, {h: v for h, v in hours.items() if h in past}

    if one.counts_before:
        counts, earlier = cut(one.counts_before)
        return share_effect(measure, counts, one.counts_after, setting, past=(earlier, {}))
    before, old = cut(one.before)
    return shift_effect(measure, before, one.after, setting, old)


def _modem(
    series: Sequence[LevelSeries],
    past: range,
    setting: Setting,
    expected: Callable[[LevelSeries], float | None],
) -> tuple[ComparedPart, ...]:
    groups: dict[str, list[LevelSeries]] = {}
    for one in series:
        groups.setdefault(one.group, []).append(one)
    out = []
    for group, facts in groups.items():
        effects = tuple(_level_effect(one, past, setting) for one in facts)
        out.append(
            ComparedPart(
                name=group,
                answer=together(effects),
                effects=effects,
                by=f"{facts[0].channels} channels" if facts[0].frequency_hz else "",
                expected_db=expected(facts[0]),
            )
        )
    return tuple(out)


def before_after(
    home: Home,
    tables: Iterable[HourTable],
    readings: Iterable[Reading],
    series: Sequence[LevelSeries] = (),
    *,
    at_ns: int,
    spans: Spans,
    look: int,
    zone: tzinfo | None,
    expected: Callable[[LevelSeries], float | None] = lambda _: None,
    remarks: Sequence[str] = (),
) -> BeforeAfter:
    """Compare the hours of `spans` around a change.

    tables: sessions by the hour, of the past too. readings: transfers' rates. series: the modem's, whose
    time before holds the past (cabling/level_hours.py). look: the how-manieth look this is; its share of the
    allowed 5 % chance of error is divided among everything that is said (Bonferroni), so that the whole,
    over this look and all others, errs that seldom. expected: the change of a group's level that was worked
    out, dB.
    """
    split = split_hours(tables, spans)
    place = {link.name: i for i, link in enumerate(home.links)}
    segments = sorted(segments_of(derive_sessions(home), split), key=lambda s: place[s.links[0]])
    rates = rates_by_hour(readings, spans)
    calls = sum(key.method is Method.CALL for key in split)
    paths = 4 * (len(split) - calls) + 2 * calls + len(rates)
    figures = {LINKS_SHARE: 3 * len(segments), MODEM_SHARE: len(series), PATHS_SHARE: paths}
    spent = sum(share for share, many in figures.items() if many)

    def setting(share: float) -> Setting:
        alpha = alpha_at(look, WHOLE_ALPHA)
        each = alpha * share / spent / max(1, figures[share]) if spent else alpha
        # Sessions are many and say again what links do: parts of the day are left to the links.
        shares = share != PATHS_SHARE
        if shares:
            each /= 1 + SHARES_ALPHA
        return Setting(zone=zone, alpha=each, common=alpha, look=look, shares=shares)

    links = tuple(_link(segment, split, setting(LINKS_SHARE)) for segment in segments)
    if len(split) > MANY_SESSIONS:
        sparing = {key: replace(one, past={}) for key, one in split.items()}
    else:
        sparing = split
    sessions = [_session(key, one, setting(PATHS_SHARE)) for key, one in sparing.items()]
    for path, (old, new, past) in rates.items():
        effect = shift_effect(MEASURES["rate_bps"], old, new, setting(PATHS_SHARE), past)
        sessions.append(ComparedPart(name=path, answer=effect.answer, effects=(effect,), by="transfers"))
    return BeforeAfter(
        at_ns=at_ns,
        spans=spans,
        look=look,
        links=links,
        sessions=tuple(sessions),
        modem=_modem(series, spans.past, setting(MODEM_SHARE), expected),
        remarks=(*spans.cut, *remarks),
    )
