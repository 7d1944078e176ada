"""Gathers what was seen of each verdict's hop, and adds the cause inside to the verdict."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime, tzinfo
from functools import cached_property

import numpy as np
from msgspec import Struct, field
from msgspec.structs import replace

from whichhop.cabling.judge_levels import LevelFinding
from whichhop.cabling.judge_modem import judge_modem
from whichhop.cabling.level_readings import from_readings
from whichhop.cabling.rates import ADAPTERS
from whichhop.capacity.links import DOWN, UP, capacities
from whichhop.capacity.plan import by_hour, contradicted, upstream_tests
from whichhop.capacity.transfers import Measured, measured_of
from whichhop.compare.suspects.elements import elements_of
from whichhop.compare.windows.own_traffic import COUNTERS, usage
from whichhop.compare.windows.reporting import LATENESS, STEAL
from whichhop.compare.windows.table import WindowTable
from whichhop.inside.answer import answer_of
from whichhop.inside.other_faults import Columns, Spans, over_others
from whichhop.inside.packets import UNSTEADY, HopPackets, RecordsOf, packets_of
from whichhop.inside.rhythm import rounds_of
from whichhop.inside.seen import OwnUse, Place, Rates, Seen, Sort, place_of
from whichhop.inside.shape import LEAST_EACH, Hours, hours_of, shape_of
from whichhop.model import Home, LinkKind, ModemLevels, Reading, Session, SessionKey, Verdict
from whichhop.model.cable_run import Adapter
from whichhop.model.hop_facts import HopFacts, facts_of
from whichhop.model.inner_cause import InnerAnswer
from whichhop.model.units import NS_PER_S

MOST_SESSIONS = 8
"""More sessions over one hop tell nothing new; those with the fewest other links come first."""
LOOKED_AT_S = 3600.0
"""So much of an episode and its surroundings is looked at packet by packet."""
BEFORE_S = 1200.0
"""So long before an episode its rhythm is looked for: a scan's gaps often were there already."""
AROUND_NS = 90 * NS_PER_S
"""A counter is read once a minute: the reading just outside an episode still speaks of it."""
MOST_GROUPS = 12
"""The newest hours of episodes are worked out; on a flapping hop the older ones say the same."""
_OFTEN = frozenset({*COUNTERS, LATENESS, STEAL})


class InnerFacts(Struct, frozen=True, kw_only=True, dict=True):
    """What causes are looked for in: the judged sessions' windows, every reading, the records themselves."""

    home: Home
    sessions: Sequence[Session]
    table: WindowTable
    readings: Sequence[Reading]
    records: RecordsOf
    zone: tzinfo | None = None
    _use: dict[str, np.ndarray] = field(default_factory=dict)
    _columns: dict[str, frozenset[int]] = field(default_factory=dict)

    def columns(self) -> Columns:
        """By element, the indices of the sessions that cross it; found once for all hops."""
        if not self._columns:
            self._columns.update({e.name: e.column for e in elements_of(self.home, self.sessions)})
        return self._columns

    @cached_property
    def seldom(self) -> list[Reading]:
        """The readings without those of each few seconds, four of five in a day: each hop asks for some."""
        return [r for r in self.readings if r.name not in _OFTEN]

    @cached_property
    def transfers(self) -> list[Measured]:
        """What the transfers of each path came to."""
        return measured_of(self.seldom)

    @cached_property
    def levels(self) -> tuple[ModemLevels, ...]:
        """Every reading of a modem, oldest first."""
        return from_readings(self.seldom)

    def use(self, way: str) -> np.ndarray:
        """Per tick, the home's use of its line in one direction, against what it carries; NaN unknown."""
        if way not in self._use:
            counter = next(name for name, its in COUNTERS.items() if its == way)
            mine = [r for r in self.readings if r.name == counter]
            self._use[way] = usage(mine, self.table, self.home.plan, self.sessions)
        return self._use[way]


def with_causes(
    verdicts: Sequence[Verdict],
    known: InnerFacts,
    first: Sequence[Verdict] = (),
    beside: Sequence[Verdict] = (),
) -> list[Verdict]:
    """The same verdicts, some of them with the cause inside their hop: those of `first`, then the newest.

    beside: verdicts of the same time that are not asked about; their packets tell of them, not of these.

    Episodes of one hop within an hour are looked at together and get one answer: how often it came says more
    than any of them alone.
    """
    facts = facts_of(known.home, known.seldom)
    groups = _groups(verdicts)
    early = {id(v) for v in first}
    groups.sort(key=lambda g: (any(id(v) in early for v in g), g[-1].end_ns is None, g[-1].start_ns))
    found: dict[int, InnerAnswer] = {}
    for group in groups[-MOST_GROUPS:]:
        place = place_of(known.home, group[-1])
        if place is None:
            continue  # it names no one hop
        answer = answer_of(*seen_of(group, (*verdicts, *beside), place, known, facts))
        if place.shared and answer.named is None:
            continue  # it may be the box
        found |= {id(v): answer for v in group}
    return [replace(v, inside=found[id(v)]) if id(v) in found else v for v in verdicts]


def _hop(verdict: Verdict) -> tuple[object, ...]:
    return (verdict.cause, verdict.elements)


def _groups(verdicts: Sequence[Verdict]) -> list[list[Verdict]]:
    """Episodes of one hop and cause that begin within an hour of the group's last, in the order of time."""
    out: dict[tuple[object, ...], list[list[Verdict]]] = {}
    for verdict in sorted(verdicts, key=lambda v: -v.start_ns):
        mine = out.setdefault(_hop(verdict), [])
        if mine and mine[-1][-1].start_ns - verdict.start_ns <= LOOKED_AT_S * NS_PER_S:
            mine[-1].insert(0, verdict)
        else:
            mine.append([verdict])
    return [group for mine in out.values() for group in mine]


def seen_of(
    group: Sequence[Verdict],
    every: Sequence[Verdict],
    place: Place,
    known: InnerFacts,
    facts: Sequence[HopFacts],
) -> tuple[Seen, HopPackets | None]:
    """All that is known of a hop in a group of its episodes.

    every: all verdicts of the time, the group's too. What a session met of another hop's fault is left out.
    """
    same = [v for v in every if _hop(v) == _hop(group[-1])]
    table, verdict = known.table, group[-1]
    last_ns = table.at_ns(table.ticks)
    spans = [(max(v.start_ns, table.start_ns), min(v.end_ns or last_ns, last_ns)) for v in group]
    spans = [(start, end) for start, end in spans if start < end]
    start_ns, end_ns = (spans[0][0], max(e for _, e in spans)) if spans else (verdict.start_ns, last_ns)
    quiet = _quiet(verdict, table, _crossing(place, known.sessions))
    others = over_others(known.columns, known.sessions, same, every, last_ns)
    shape = packets = None
    if quiet and spans:
        from_ns = max(
            table.start_ns, end_ns - round(LOOKED_AT_S * NS_PER_S), start_ns - round(BEFORE_S * NS_PER_S)
        )
        packets = packets_of(known.records(list(quiet), from_ns, end_ns), quiet, from_ns, end_ns)
        stretches = [((start - from_ns) / NS_PER_S, (end - from_ns) / NS_PER_S) for start, end in spans]
        packets = _alone(packets, list(quiet), others, stretches)
        shape = shape_of(packets.within(stretches), packets)
    if shape is not None and shape.period is None:
        rounds = rounds_of([(v.start_ns / NS_PER_S, (v.end_ns or last_ns) / NS_PER_S) for v in same])
        shape = replace(shape, period=rounds)
    mine = [f for f in facts if _about(f, place)]
    during = tuple(
        f for f in mine if any(start - AROUND_NS <= f.at_ns <= end + AROUND_NS for start, end in spans)
    )
    longest = max(spans, key=lambda s: s[1] - s[0], default=(start_ns, end_ns))
    ticks = _ticks(table, *longest)
    middle = datetime.fromtimestamp(sum(longest) / 2 / NS_PER_S, known.zone or UTC)
    seen = Seen(
        place=place,
        verdict=verdict,
        shape=shape,
        hours=_hours(table, quiet, known.zone, others),
        use=OwnUse(down=_middle(known.use("down")[ticks]), up=_middle(known.use("up")[ticks])),
        facts=during,
        before=tuple(f for f in mine if f.at_ns < start_ns - AROUND_NS),
        levels=_levels(known, end_ns) if place.sort is Sort.LINE else (),
        rates=_rates(place, known),
        hour=middle.hour + middle.minute / 60,
        lasts_s=(longest[1] - longest[0]) / NS_PER_S,
        users=_users(facts, start_ns, end_ns) if place.sort is Sort.OWN_TRAFFIC else (),
    )
    return seen, packets


def _crossing(place: Place, sessions: Sequence[Session]) -> list[Session]:
    """The sessions whose packets meet the hop, those with the fewest other links first."""

    def meets(session: Session) -> bool:
        links = session.path.links
        match place.sort:
            case Sort.NAMES:
                return False
            case Sort.ANSWERS:
                return session.key.target == place.name
            case Sort.OWN_TRAFFIC:
                return any(link.kind is LinkKind.ACCESS for link in links)
            case _ if place.link is not None:
                return any(link.name == place.link.name for link in links)
            case _:
                return place.name in session.path.nodes[1:]

    found = [s for s in sessions if s.key.method not in UNSTEADY and meets(s)]
    return sorted(found, key=lambda s: (len(s.path.links), str(s.key)))[:MOST_SESSIONS]


def _alone(
    packets: HopPackets, keys: Sequence[SessionKey], others: Spans, stretches: Sequence[tuple[float, float]]
) -> HopPackets:
    """The packets that no other fault explains; all of them where of most of the stretches none is left: what
    the hop did then would go unseen.
    """

    def since_start(at_ns: int) -> float:
        return (at_ns - packets.start_ns) / NS_PER_S

    alone = packets.without(
        {i: [(since_start(a), since_start(b)) for a, b in others.get(key, ())] for i, key in enumerate(keys)}
    )
    left, of = alone.within(stretches).sent_s, packets.within(stretches).sent_s
    seen = np.unique(left.astype(np.int64)).size >= np.unique(of.astype(np.int64)).size / 2
    return alone if seen and left.size >= LEAST_EACH else packets


def _quiet(verdict: Verdict, table: WindowTable, chosen: Iterable[Session]) -> dict[SessionKey, float]:
    """What each session takes in health: as the verdict has it, else the best tenth of its ticks."""
    place = {key: i for i, key in enumerate(table.sessions)}
    out = {}
    for session in chosen:
        column = place.get(session.key)
        if column is None:
            continue
        known = table.q50_s[:, column]
        known = known[np.isfinite(known)]
        told = (verdict.baseline or {}).get(str(session.key))
        best = float(np.quantile(known, 0.1)) if known.size else None
        value = best if told is None or (verdict.standing and best is not None) else told
        if value is not None:
            out[session.key] = value
    return out


def _about(fact: HopFacts, place: Place) -> bool:
    if place.link is not None:
        return fact.link == place.link.name
    return fact.other == place.name or (place.sort is Sort.RADIO and fact.agent == place.name)


def _ticks(table: WindowTable, start_ns: int, end_ns: int) -> slice:
    first, last = ((at - table.start_ns) // table.step_ns for at in (start_ns, end_ns))
    return slice(max(0, int(first)), max(1, int(last)))


def _middle(values: np.ndarray) -> float | None:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else None


def _hours(
    table: WindowTable, quiet: Mapping[SessionKey, float], zone: tzinfo | None, others: Spans
) -> Hours | None:
    place = {key: i for i, key in enumerate(table.sessions)}
    columns = [place[key] for key in quiet]
    if not columns or not table.ticks:
        return None
    with np.errstate(all="ignore"):
        over = table.q50_s[:, columns] - np.array([quiet[table.sessions[i]] for i in columns])
    sent, lost_of = table.sent[:, columns], table.lost[:, columns]  # copies, as columns are picked
    for i, key in enumerate(quiet):
        for start_ns, end_ns in others.get(key, ()):
            theirs = _ticks(table, start_ns, end_ns)
            over[theirs, i], sent[theirs, i], lost_of[theirs, i] = np.nan, 0, 0
    known = np.isfinite(over).sum(axis=1)
    added = np.where(known > 0, np.nansum(np.maximum(over, 0.0), axis=1) / np.maximum(known, 1), np.nan)
    lost = lost_of.sum(axis=1) / np.maximum(sent.sum(axis=1), 1)
    first = datetime.fromtimestamp(table.start_ns / NS_PER_S, zone or UTC)
    begin = first.hour + first.minute / 60 + first.second / 3600
    hour = (begin + np.arange(table.ticks) * table.step_ns / NS_PER_S / 3600) % 24
    return hours_of(hour, np.asarray(added, dtype=np.float64), np.asarray(lost, dtype=np.float64))


def _levels(known: InnerFacts, end_ns: int) -> tuple[LevelFinding, ...]:
    history = [r for r in known.levels if r.at_ns <= end_ns + AROUND_NS]
    if not history:
        return ()
    return judge_modem(history[-1], history[-2] if len(history) > 1 else None).troubles


_ADAPTERS = {Sort.POWER_LINE: Adapter.POWER_LINE_1200, Sort.COAX: Adapter.COAX_1000}


def _rates(place: Place, known: InnerFacts) -> Rates | None:
    """Transfers against what the hop's adapters usually carry, or those to the internet against the plan."""
    home, measured = known.home, known.transfers
    if place.sort is Sort.LINE and home.plan is not None:
        tests = upstream_tests(home, known.seldom, capacities(home, measured, {}))
        for whole in contradicted(by_hour(tests, home.plan, known.zone or UTC)):
            if whole.median_bps is not None:
                return Rates(
                    median_bps=whole.median_bps,
                    count=whole.tests,
                    could_bps=whole.plan_bps,
                    at_all_hours=True,
                )
    if place.sort not in _ADAPTERS or place.link is None:
        return None
    found = capacities(home, measured, None)
    highs = [high for way in (DOWN, UP) if (high := found[place.link.name, way].high_bps) is not None]
    if not highs:
        return None
    return Rates(
        median_bps=min(highs), count=len(measured), could_bps=ADAPTERS[_ADAPTERS[place.sort]].low_bps
    )


def _users(facts: Iterable[HopFacts], start_ns: int, end_ns: int) -> tuple[tuple[str, float], ...]:
    """Who moved how much in the span by their own interfaces' counters, the largest first."""
    most: dict[str, float] = {}
    for f in facts:
        rate = max(f.own_send_bps or 0.0, f.own_receive_bps or 0.0)
        if rate and start_ns <= f.at_ns <= end_ns + AROUND_NS:
            most[f.agent] = max(most.get(f.agent, 0.0), rate)
    return tuple(sorted(most.items(), key=lambda item: -item[1]))
