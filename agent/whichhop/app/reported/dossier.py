"""Makes a dossier from a store's records: the same home, span and records give the same figures again."""

from collections.abc import Sequence
from zoneinfo import ZoneInfo

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from whichhop import __version__
from whichhop.advice.of_cause import plain_steps
from whichhop.app.reported.dossier_span import Spanning, renamed
from whichhop.app.stored.route_trace import route_trace
from whichhop.cabling.explain import Explanation, explain_line
from whichhop.cabling.judge_modem import judge_modem
from whichhop.cabling.level_readings import from_readings
from whichhop.cabling.levels_beside_loss import Loss, channel_rows, level_times
from whichhop.cabling.rules import LevelStanding
from whichhop.capacity.links import capacities
from whichhop.capacity.plan import by_hour, contradicted, delivery_words, news_words, upstream_tests
from whichhop.capacity.transfers import measured_of
from whichhop.claim.charts import charts_of
from whichhop.claim.claim import claim_of, happened, session_rows, telling
from whichhop.claim.pseudonyms import StandIns, stripped
from whichhop.claim.span import JudgedSpan
from whichhop.config.check import House
from whichhop.model import (
    Home,
    LinkKind,
    ModemLevels,
    Owner,
    Reading,
    Verdict,
)
from whichhop.model.dossier import ChainHead, Claim, Dossier, LevelNote, PlanRow, RouteTrace, Wiring
from whichhop.model.hop_facts import HOP
from whichhop.model.note import CallNote
from whichhop.model.units import NS_PER_S
from whichhop.store.store import Store

MOST_LEVELS = 12
MOST_UNKNOWN = 3
TRACE_BACK_NS = 24 * 3600 * NS_PER_S
"""A trace of the day before the span's end still tells the way; one is taken each hour."""


class Order(Struct, frozen=True, kw_only=True):
    """What a dossier is to be about. start_ns, end_ns: whole ticks; made_ns: now, passed in. kept: whether
    what was worked out of finished days before counts, and what is worked out now is kept; who checks a
    report must not rely on it."""

    house: House
    start_ns: int
    end_ns: int
    made_ns: int
    zone: str
    redact: bool
    with_chains: bool
    public_key: str | None
    calls: tuple[CallNote, ...] = ()
    levels_alone: bool = False
    kept: bool = False


def _levels(history: Sequence[Reading], home: Home) -> tuple[LevelNote, ...]:
    read = from_readings(history)
    if not read:
        return ()
    last = read[-1]
    first = next((r for r in read if r.node == last.node and r.at_ns < last.at_ns), None)
    judgement = judge_modem(last, first, home.plan)
    found = [LevelNote(standing=str(f.standing), words=f.words) for f in judgement.troubles[:MOST_LEVELS]]
    unknown = [f for f in judgement.findings if f.standing is LevelStanding.UNKNOWN]
    if not found and judgement.standing is LevelStanding.FINE:
        many = f"{len(last.channels)} channels" if last.channels else "every value"
        found.append(LevelNote(standing="fine", words=f"{many} read, each within what technicians aim for"))
    found += [LevelNote(standing="unknown", words=f.words) for f in unknown[:MOST_UNKNOWN]]
    if len(unknown) > MOST_UNKNOWN:
        more = f"{len(unknown) - MOST_UNKNOWN} more values were not read"
        found.append(LevelNote(standing="unknown", words=more))
    return tuple(found)


def _wiring(history: Sequence[ModemLevels], line: Explanation | None) -> Wiring:
    """How far the levels speak of the cabling in the house, the newest reading counting."""
    if not history:
        return Wiring.UNREAD
    standing = judge_modem(history[-1], history[-2] if len(history) > 1 else None).standing
    if line is not None and line.whose is Owner.HOME:
        return Wiring.AT_FAULT
    if line is not None and line.clears_house:
        return Wiring.ENTERS_BAD
    return _WIRING[standing]


_WIRING = {
    LevelStanding.FINE: Wiring.GOOD,
    LevelStanding.MARGINAL: Wiring.MARGINAL,
    LevelStanding.OUTSIDE: Wiring.BAD,
    LevelStanding.IMPLAUSIBLE: Wiring.UNREAD,
    LevelStanding.UNKNOWN: Wiring.UNREAD,
}


def _line_loss(span: JudgedSpan) -> Loss:
    """Test packets over the access link, sent and lost, between two instants."""
    over = [i for i, s in enumerate(span.sessions) if any(k.kind is LinkKind.ACCESS for k in s.path.links)]
    sent = np.where(span.speaks, span.table.sent, 0)[:, over].sum(axis=1, dtype=np.int64)
    lost = np.where(span.speaks, span.table.lost, 0)[:, over].sum(axis=1, dtype=np.int64)

    def loss(start_ns: int, end_ns: int) -> tuple[int, int]:
        first, end = ((at - span.table.start_ns) // span.table.step_ns for at in (start_ns, end_ns))
        part = slice(max(0, first), max(0, end))
        return int(sent[part].sum()), int(lost[part].sum())

    return loss


def _of_one(readings: Sequence[Reading]) -> list[ModemLevels]:
    """The readings of the modem that was read last."""
    found = from_readings(readings)
    return [r for r in found if r.node == found[-1].node]


def _trace(store: Store, order: Order, stand: StandIns | None) -> RouteTrace | None:
    home = stripped(order.house.home)
    kept = store.readings_like(f"{HOP}:", from_ns=order.end_ns - TRACE_BACK_NS, to_ns=order.end_ns)
    found = route_trace(kept, home)
    return stand.trace(found) if stand else found


def _calls(order: Order, stand: StandIns | None) -> tuple[CallNote, ...]:
    told = enumerate(sorted(order.calls, key=lambda c: c.at_ns), 1)
    return tuple(stand.call(n, c) if stand else c for n, c in told)


def _line(order: Order, span: JudgedSpan, about: Sequence[Verdict]) -> Explanation | None:
    """What the modem's levels say of the claim's longest episode; None where none are on record."""
    history = from_readings(span.readings)
    if not history or not about or not about[0].near_line:
        return None
    end_ns = about[0].end_ns or order.end_ns
    loss = [(v.start_ns, v.end_ns or order.end_ns) for v in about if v.severity and v.severity.lost]
    return explain_line(about[0], [r for r in history if r.at_ns <= end_ns], order.house.run, loss)


def _with_steps(claim: Claim | None, span: JudgedSpan, about: Sequence[Verdict]) -> Claim | None:
    """A claim with what to do about the cause inside its hop."""
    told = telling(span, about)
    return None if claim is None else replace(claim, steps=plain_steps(span.home, told) if told else ())


def _against(claim: Claim | None, line: Explanation | None) -> Claim | None:
    """A claim is taken back when the levels speak for the coax inside the house."""
    if claim is None or line is None or line.whose is not Owner.HOME:
        return claim
    why = f"the cabling in the house put right first, since the modem's levels say: {line.sentence}"
    return replace(claim, made=False, missing=(*claim.missing, why))


def _chains(store: Store, order: Order, stand: StandIns | None) -> tuple[ChainHead, ...]:
    if not order.with_chains:
        return ()
    agents = {n.name for n in order.house.home.agents}
    return tuple(
        ChainHead(
            agent=stand.name(c.agent) if stand else c.agent,
            origin=c.origin.hex(),
            last_seq=c.last_seq,
            head=c.head.hex(),
            signed=store.signature(c.origin),
        )
        for c in store.chains()
        if c.agent in agents and c.last_seq
    )


def plan_rows(home: Home, readings: Sequence[Reading], zone: str) -> tuple[PlanRow, ...]:
    """The plan beside the span's tests; nothing where the home names no plan or no test was made."""
    if home.plan is None:
        return ()
    tests = upstream_tests(home, readings, capacities(home, measured_of(readings), {}))
    found = by_hour(tests, home.plan, ZoneInfo(zone))
    missed = contradicted(found)
    return tuple(
        PlanRow(
            way=whole.way,
            plan_bps=whole.plan_bps,
            tests=whole.tests,
            reached=whole.reached,
            days=whole.days,
            left_out=whole.unusable,
            median_bps=whole.median_bps,
            low=whole.share.low,
            high=whole.share.high,
            missed=whole in missed,
            words=news_words(whole) if whole in missed else f"{delivery_words(whole)}.",
        )
        for whole, *_ in found.values()
        if whole.tests or whole.unusable
    )


def assemble(store: Store, order: Order) -> Dossier | None:
    """The dossier of one span; None when nothing of the home was measured in it."""
    home = stripped(order.house.home)
    stand = StandIns.of(home) if order.redact else None
    if order.levels_alone:
        return _levels_alone(store, order, stand)
    found = Spanning(
        store=store,
        home=home,
        stand=stand,
        start_ns=order.start_ns,
        end_ns=order.end_ns,
        zone=order.zone,
        kept=order.kept,
    ).judged()
    if found is None:
        return None
    span, start_ns, end_ns = found.span, found.start_ns, found.end_ns
    order = replace(order, start_ns=start_ns, end_ns=end_ns)
    claim, about, ticks, crossing = claim_of(span)
    line = _line(order, span, about)
    notes = _levels(span.readings, home)
    history = _of_one(span.readings)
    if line is not None:
        notes = (LevelNote(standing="in all", words=line.sentence), *notes)
    return Dossier(
        software=__version__,
        made_ns=order.made_ns,
        zone=order.zone,
        redacted=order.redact,
        cable_run=line is not None and order.house.run is not None,
        home=span.home,
        start_ns=start_ns,
        end_ns=end_ns,
        claim=_against(_with_steps(claim, span, about), line),
        episodes=happened(span, about, crossing),
        sessions=session_rows(span, ticks, crossing, found.tallies),
        charts=charts_of(span, crossing, about),
        plan=plan_rows(span.home, span.readings, order.zone),
        levels=notes,
        wiring=_wiring(history, line),
        level_times=level_times(history, _line_loss(span)),
        channels=channel_rows(history),
        route=_trace(store, order, stand),
        calls=_calls(order, stand),
        reach=found.reach,
        felt=found.felt,
        chains=_chains(store, order, stand),
        public_key=order.public_key,
    )


def _levels_alone(store: Store, order: Order, stand: StandIns | None) -> Dossier | None:
    """The dossier about the modem's levels alone; None when none was read in the span."""
    home = stripped(order.house.home)
    kept = store.readings_like("levels/", from_ns=order.start_ns, to_ns=order.end_ns)
    readings = tuple(renamed(kept, stand))
    history = _of_one(readings) if readings else []
    if not history:
        return None
    return Dossier(
        software=__version__,
        made_ns=order.made_ns,
        zone=order.zone,
        redacted=order.redact,
        cable_run=False,
        home=stand.home if stand else home,
        start_ns=order.start_ns,
        end_ns=order.end_ns,
        claim=None,
        episodes=(),
        sessions=(),
        charts=(),
        plan=(),
        levels=_levels(readings, home),
        levels_alone=True,
        wiring=_wiring(history, None),
        level_times=level_times(history, lambda _start, _end: (0, 0)),
        channels=channel_rows(history),
        route=_trace(store, order, stand),
        calls=_calls(order, stand),
        chains=_chains(store, order, stand),
        public_key=order.public_key,
    )
