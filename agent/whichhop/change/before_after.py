"""What a change did, by link, session and modem, over matched hours, with honest intervals. Pure."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo

from whichhop.change.effect import Answer, Effect, Setting, share_effect, shift_effect, together
from whichhop.change.hours import HOUR_NS, HourFigures, HourTable
from whichhop.change.measures import MEASURES
from whichhop.model import Home, Medium, Method, Reading, Session, SessionKey, derive_sessions
from whichhop.model.level_series import LevelSeries
from whichhop.model.mark import Mark
from whichhop.stats.looks import alpha_at

STEADY = frozenset({Method.ECHO, Method.STAMP, Method.TCP})


@dataclass(frozen=True, slots=True, kw_only=True)
class Spans:
    """Whole hours before and after the change, counted from the epoch; ends are left out.

    The hour of the change itself is in neither. cut: why a span is shorter than asked for.
    """

    before: range
    after: range
    cut: tuple[str, ...] = ()


def spans_of(
    at_ns: int,
    *,
    now_ns: int,
    before_ns: int,
    after_ns: int,
    marks: Mapping[int, Mark],
    number: int | None,
) -> Spans:
    """The hours to compare, up to `before_ns` and `after_ns` long, cut where another mark lies.

    number: the mark that is looked at; None for a bare instant, which means whatever is noted in its hour.
    """
    change = at_ns // HOUR_NS
    start, end = -(-(at_ns - before_ns) // HOUR_NS), min(at_ns + after_ns, now_ns) // HOUR_NS
    cut = []
    for other, mark in marks.items():
        hour = mark.at_ns // HOUR_NS
        itself = other == number or (number is None and hour == change)
        if itself or not start <= hour < end:
            continue
        where = f"note {other} ({mark.text})"
        if hour == change:
            cut.append(f"{where} is of the same hour: what the two did cannot be told apart")
        elif hour < change:
            start = max(start, hour + 1)
            cut.append(f"the time before begins after {where}")
        else:
            end = min(end, hour)
            cut.append(f"the time after ends before {where}")
    return Spans(
        before=range(start, max(start, change)), after=range(change + 1, max(change + 1, end)), cut=tuple(cut)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A link, a session or a group of channels with its effects.

    name: links that no session parts come together, joined by " + ". by: the session(s) it was taken from.
    expected_db: what the change was worked out to do to the group's level.
    """

    name: str
    answer: Answer
    effects: tuple[Effect, ...]
    by: str = ""
    expected_db: float | None = None

    @property
    def needed(self) -> int | None:
        """Further hours that would probably make it clear; None when it is clear or never was measured."""
        needed = [e.needed for e in self.effects if e.needed is not None]
        return max(needed) if needed and self.answer is Answer.NO_DIFFERENCE else None


@dataclass(frozen=True, slots=True, kw_only=True)
class BeforeAfter:
    """The whole answer. look: how many different looks there were at this change, this one counted."""

    at_ns: int
    spans: Spans
    look: int
    links: tuple[Part, ...]
    sessions: tuple[Part, ...]
    modem: tuple[Part, ...]
    remarks: tuple[str, ...] = ()

    @property
    def measured(self) -> bool:
        """True when anything was measured at the same hours of day before and after."""
        parts = (*self.links, *self.sessions, *self.modem)
        return any(part.answer is not Answer.UNMEASURED for part in parts)


_Hours = dict[int, HourFigures]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Split:
    """One session's whole hours on both sides."""

    before: _Hours
    after: _Hours

    def figures(self, fact: str) -> tuple[dict[int, float], dict[int, float]]:
        sides = [
            {h: v for h, f in s.items() if (v := getattr(f, fact)) is not None}
            for s in (self.before, self.after)
        ]
        return sides[0], sides[1]

    def counts(self) -> tuple[dict[int, tuple[float, float]], dict[int, tuple[float, float]]]:
        sides = [{h: (float(f.lost), float(f.sent)) for h, f in s.items()} for s in (self.before, self.after)]
        return sides[0], sides[1]


def split_hours(tables: Iterable[HourTable], spans: Spans) -> dict[SessionKey, _Split]:
    """Each session's whole hours before and after; sessions without any on one side are left out."""
    out = {}
    for table in tables:
        hours = table.whole().hours
        before = {h: f for h, f in hours.items() if h in spans.before}
        after = {h: f for h, f in hours.items() if h in spans.after}
        if before and after:
            out[table.session] = _Split(before=before, after=after)
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """Links that lie between the ends of two sessions of one agent; near None: from the agent itself."""

    links: tuple[str, ...]
    far: SessionKey
    near: SessionKey | None


def segments_of(sessions: Sequence[Session], measured: Iterable[SessionKey]) -> tuple[Segment, ...]:
    """For each stretch of links that measured sessions bound, the pair of sessions with the clearest view.

    That is over the fewest radio links, then over the fewest links. Longer stretches are left out where
    shorter ones cover all of them.
    """
    known = set(measured)
    mine = [s for s in sessions if s.key in known and s.key.method in STEADY]
    best: dict[tuple[str, ...], tuple[tuple[int, int], Segment]] = {}
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
        segment = Segment(links=names[length:], far=session.key, near=near)
        # The same stretch may be crossed either way.
        place = tuple(sorted(segment.links))
        if place not in best or (radio, len(names)) < best[place][0]:
            best[place] = ((radio, len(names)), segment)
    singles = {place[0] for place in best if len(place) == 1}
    return tuple(s for place, (_, s) in best.items() if len(place) == 1 or not set(place) <= singles)


def _less(far: Mapping[int, float], near: Mapping[int, float]) -> dict[int, float]:
    return {hour: value - near[hour] for hour, value in far.items() if hour in near}


def _link(segment: Segment, split: Mapping[SessionKey, _Split], setting: Setting) -> Part:
    far = split[segment.far]
    near = split[segment.near] if segment.near is not None else None
    effects = []
    for fact in ("p50_s", "p95_s"):
        before, after = far.figures(fact)
        if near is not None:
            old, new = near.figures(fact)
            before, after = _less(before, old), _less(after, new)
        effects.append(shift_effect(MEASURES[fact], before, after, setting))
    effects.append(
        share_effect(MEASURES["loss"], *far.counts(), setting, near.counts() if near is not None else None)
    )
    by = str(segment.far) + (f" less {segment.near}" if segment.near is not None else "")
    return Part(
        name=" + ".join(segment.links), answer=together(tuple(effects)), effects=tuple(effects), by=by
    )


def _session(key: SessionKey, split: _Split, setting: Setting) -> Part:
    facts = ("rating",) if key.method is Method.CALL else ("p50_s", "p95_s", "pdv_s")
    effects = [shift_effect(MEASURES[fact], *split.figures(fact), setting) for fact in facts]
    effects.append(share_effect(MEASURES["loss"], *split.counts(), setting))
    return Part(name=str(key), answer=together(tuple(effects)), effects=tuple(effects), by=str(key))


def rates_by_hour(
    readings: Iterable[Reading], spans: Spans
) -> dict[str, tuple[dict[int, float], dict[int, float]]]:
    """Per path ("desk to harbour", "desk from harbour") the hours' highest rates, before and after."""
    out: dict[str, tuple[dict[int, float], dict[int, float]]] = {}
    for reading in readings:
        name, _, other_end = reading.name.partition(":")
        word = {"transfer_out_rate_bps": "to", "transfer_back_rate_bps": "from"}.get(name)
        hour = reading.at_ns // HOUR_NS
        if word is None or not (hour in spans.before or hour in spans.after):
            continue
        sides = out.setdefault(f"{reading.agent} {word} {other_end}", ({}, {}))
        side = sides[0] if hour in spans.before else sides[1]
        side[hour] = max(side.get(hour, 0.0), reading.value)
    return {path: sides for path, sides in out.items() if sides[0] and sides[1]}


def _modem(
    series: Sequence[LevelSeries],
    setting: Setting,
    expected: Callable[[LevelSeries], float | None],
) -> tuple[Part, ...]:
    groups: dict[str, list[LevelSeries]] = {}
    for one in series:
        groups.setdefault(one.group, []).append(one)
    out = []
    for group, facts in groups.items():
        effects = tuple(
            share_effect(MEASURES[s.fact], s.counts_before, s.counts_after, setting)
            if s.counts_before
            else shift_effect(MEASURES[s.fact], s.before, s.after, setting)
            for s in facts
        )
        out.append(
            Part(
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
    seed: int,
    expected: Callable[[LevelSeries], float | None] = lambda _: None,
    remarks: Sequence[str] = (),
) -> BeforeAfter:
    """Compare the hours of `spans` around a change.

    tables: sessions by the hour. readings: transfers' rates. series: the modem's (cabling/level_hours.py).
    look: the how-manieth look this is; its share of the allowed 5 % chance of error is divided among all
    figures of each table (Bonferroni), so that a table as a whole, over this look and all others, errs that
    seldom. expected: the change of a group's level that was worked out, dB. seed: for the bootstrap's dice.
    """
    split = split_hours(tables, spans)
    place = {link.name: i for i, link in enumerate(home.links)}
    segments = sorted(segments_of(derive_sessions(home), split), key=lambda s: place[s.links[0]])
    rates = rates_by_hour(readings, spans)

    def setting(figures: int) -> Setting:
        return Setting(zone=zone, alpha=alpha_at(look) / max(1, figures), seed=seed)

    shared = setting(3 * len(segments))
    links = tuple(_link(segment, split, shared) for segment in segments)
    calls = sum(key.method is Method.CALL for key in split)
    shared = setting(4 * (len(split) - calls) + 2 * calls + len(rates))
    sessions = [_session(key, one, shared) for key, one in split.items()]
    for path, (old, new) in rates.items():
        effect = shift_effect(MEASURES["rate_bps"], old, new, shared)
        sessions.append(Part(name=path, answer=effect.answer, effects=(effect,), by="transfers"))
    return BeforeAfter(
        at_ns=at_ns,
        spans=spans,
        look=look,
        links=links,
        sessions=tuple(sessions),
        modem=_modem(series, setting(len(series)), expected),
        remarks=(*spans.cut, *remarks),
    )
