"""Decides what is told when and by which agent, and keeps what is not sent yet. Pure; goes to disk as JSON.

A fault is told once, in no quiet hour, by one agent; what waits stands in a queue with an end, and is tried
again after longer and longer pauses.
"""

from collections.abc import Iterable, Sequence
from datetime import tzinfo
from enum import StrEnum
from typing import Annotated

import msgspec
from msgspec import Struct

from whichhop.daemon.notice.faults import OVER_NS, RECENT_NS, Fault, KeptNs, follow
from whichhop.daemon.transfer.schedule import in_quiet, local
from whichhop.model import Verdict
from whichhop.model.bulletin import Bulletin, NoticeHeard
from whichhop.model.notices import Notices, Way
from whichhop.model.units import NS_PER_S, UtcNs
from whichhop.outside import INT64, typed

READY, TOLD = "notice_ready", "notice_told"
"""Readings `notice_ready:WAY` each minute; `notice_told:WAY:ELEMENT`, 1 for a beginning, 0 for an end."""
READY_EVERY_NS = 60 * NS_PER_S
AWAY_NS = 180 * NS_PER_S
"""An agent that was not ready for three minutes is off: the next one takes over."""
EARLY_NS = 300 * NS_PER_S
"""Two agents may take a fault's beginning for so much apart."""

NS_PER_HOUR = 3600 * NS_PER_S
WAITS_S = (0, 15, 60, 300, 900, 1800, 3600)
"""Pauses before each try: soon, for a router that is just back; seldom, for what stays broken."""
GIVEN_UP_NS = 24 * NS_PER_HOUR
"""Yesterday's fault is no news: it stands on the page and in the report."""
MOST_WAITING = 100
"""Of one way. A day of a flapping link would be more; whoever is told so often learns nothing from it."""
MOST_AN_HOUR = 20
SETTLE_NS = 90 * NS_PER_S
"""An agent that starts first hears whether another one tells already."""
MOST_KEPT_OCTETS = 4 << 20
Count = Annotated[int, msgspec.Meta(ge=0, le=INT64)]
UPDATE_NS = 300 * NS_PER_S
"""A verdict that wavers is told again after this at the earliest."""


def sender(way: Way, me: str, order: Sequence[str], heard: Iterable[NoticeHeard], now_ns: int) -> str:
    """The one agent that tells by this way: of those ready, the first of the home file. This one is ready."""
    ready = {m.agent for m in heard if m.name == f"{READY}:{way}" and now_ns - m.at_ns <= AWAY_NS}
    return next((name for name in order if name in ready or name == me), me)


def told_by_others(
    way: Way, me: str, elements: Iterable[str], start_ns: int, heard: Iterable[NoticeHeard]
) -> float | None:
    """What others told of a fault by this way last, 1 its beginning, 0 its end; None where nothing."""
    names = {f"{TOLD}:{way}:{element}" for element in elements}
    newer = [m for m in heard if m.agent != me and m.name in names and m.at_ns >= start_ns - EARLY_NS]
    return max(newer, key=lambda m: m.at_ns).value if newer else None


class Kind(StrEnum):
    """What a notice says."""

    OPENED = "opened"
    CHANGED = "changed"
    CLOSED = "closed"
    WITHDRAWN = "withdrawn"
    SUMMARY = "summary"
    TEST = "test"


class Passed(msgspec.Struct, frozen=True, kw_only=True):
    """A fault that came and went while nobody was to be told."""

    cause: str
    elements: tuple[str, ...]
    start_ns: KeptNs
    end_ns: KeptNs


class Waiting(msgspec.Struct, kw_only=True):
    """A notice that is not sent yet. document: what is sent, as JSON by its words' maker."""

    way: Way
    kind: Kind
    fault: str
    elements: tuple[str, ...]
    start_ns: KeptNs
    queued_ns: KeptNs
    document: msgspec.Raw
    tries: Count = 0
    next_ns: KeptNs = 0


class Kept(msgspec.Struct, kw_only=True):
    """What outlives a restart. lately: by way, when notices were queued. left_out: how many were dropped."""

    faults: list[Fault] = []
    waiting: list[Waiting] = []
    passed: dict[Way, list[Passed]] = {}
    lately: dict[Way, list[KeptNs]] = {}
    left_out: dict[Way, Count] = {}
    number: Count = 0


def kept_of(octets: bytes, place: str) -> Kept:
    """What was written before the restart; OutsideError, naming the place, where it is damaged."""
    return typed(octets, place, Kept, most=MOST_KEPT_OCTETS, remedy="remove it; it is made again")


class News(Struct, frozen=True, kw_only=True):
    """What is to be put in words and queued. passed: what a summary lists."""

    way: Way
    kind: Kind
    fault: Fault | None = None
    passed: tuple[Passed, ...] = ()


class Place(Struct, frozen=True, kw_only=True):
    """Who decides: this agent's name, the agents in the order of the home file, the home's zone.

    begun_ns: when this agent started. ready: the ways whose files are here.
    """

    me: str
    order: Sequence[str]
    zone: tzinfo | None
    begun_ns: int
    ready: Sequence[Way]


def quiet(settings: Notices, now_ns: int, zone: tzinfo | None) -> bool:
    """Whether nobody is to be told now."""
    at = local(UtcNs(now_ns), zone)
    return in_quiet(at.hour * 60 + at.minute, settings.quiet_hours)


def decide(kept: Kept, bulletin: Bulletin, settings: Notices, place: Place, now_ns: int) -> list[News]:
    """Take in a bulletin; what is to be told now, each by one way."""

    def number(verdict: Verdict) -> str:
        kept.number += 1
        return f"{place.me}-{verdict.start_ns // NS_PER_S}-{kept.number}"

    kept.faults = follow(kept.faults, bulletin, now_ns, number)
    out: list[News] = []
    for way in settings.ways:
        heard = [m for m in bulletin.notices if m.name.startswith((f"{TOLD}:{way}:", "notice_ready:"))]
        alone = len(place.order) == 1
        mine = (
            way in place.ready
            and (alone or now_ns - place.begun_ns >= SETTLE_NS)
            and sender(way, place.me, place.order, heard, now_ns) == place.me
        )
        for fault in kept.faults:
            _heed_others(kept, fault, way, place.me, heard)
        # Who is to be told at night hears it in the morning, whoever sends then.
        hushed = quiet(settings, now_ns, place.zone)
        out += _of_way(kept, way, settings, now_ns, mine=mine, hushed=hushed)
    kept.faults = [f for f in kept.faults if _followed(f, now_ns)]
    return out


def _followed(fault: Fault, now_ns: int) -> bool:
    """Until it is long over, and as long as somebody still waits to hear that it is."""
    over_ns = 0 if fault.end_ns is None else now_ns - fault.end_ns
    return over_ns <= RECENT_NS or (any(fault.ways.values()) and over_ns <= GIVEN_UP_NS)


def _heed_others(kept: Kept, fault: Fault, way: Way, me: str, heard: Sequence[NoticeHeard]) -> None:
    """Take over what another agent told, so that nobody hears it twice."""
    said = told_by_others(way, me, fault.elements, fault.start_ns, heard)
    if said is None:
        return
    if said and way not in fault.ways:
        fault.ways[way] = fault.told_as
    elif not said and fault.end_ns is not None:
        fault.ways[way] = ""
    over = {Kind.OPENED} if said else {Kind.OPENED, Kind.CHANGED, Kind.CLOSED, Kind.WITHDRAWN}
    kept.waiting = [w for w in kept.waiting if (w.way, w.fault) != (way, fault.number) or w.kind not in over]


def _of_way(kept: Kept, way: Way, settings: Notices, now_ns: int, *, mine: bool, hushed: bool) -> list[News]:
    lately = [t for t in kept.lately.get(way, []) if 0 <= now_ns - t < NS_PER_HOUR]
    passed = kept.passed.get(way, [])
    out: list[News] = []
    for fault in kept.faults:
        kind = _kind(fault, way, settings, now_ns)
        if kind is None or not mine:
            continue
        if kind is Kind.SUMMARY:
            end_ns = now_ns if fault.end_ns is None else fault.end_ns
            one = Passed(cause=fault.cause, elements=fault.elements, start_ns=fault.start_ns, end_ns=end_ns)
            passed = [*passed, one][-MOST_WAITING:]
        elif hushed or len(lately) + len(out) >= MOST_AN_HOUR:
            continue
        else:
            out.append(News(way=way, kind=kind, fault=fault))
        fault.ways[way] = "" if fault.end_ns is not None else fault.told_as
        fault.told_ns[way] = now_ns
    if passed and mine and not hushed and len(lately) + len(out) < MOST_AN_HOUR:
        out.append(News(way=way, kind=Kind.SUMMARY, passed=tuple(passed)))
        passed = []
    kept.passed[way] = passed
    kept.lately[way] = [*lately, *[now_ns] * len(out)]
    return out


def _kind(fault: Fault, way: Way, settings: Notices, now_ns: int) -> Kind | None:
    """What there is to tell of a fault by a way; SUMMARY: that it came and went untold."""
    told = fault.ways.get(way)
    if told is None or (not told and fault.end_ns is None):  # untold, or begun again after its end was told
        lasted_ns = (now_ns if fault.end_ns is None else fault.end_ns) - fault.start_ns
        if fault.probability < settings.least_probability or lasted_ns < settings.least_s * NS_PER_S:
            return None
        if fault.end_ns is None:
            return Kind.OPENED
        return None if fault.withdrawn else Kind.SUMMARY
    if fault.end_ns is not None:
        over = told and now_ns - fault.end_ns >= OVER_NS
        return (Kind.WITHDRAWN if fault.withdrawn else Kind.CLOSED) if over else None
    wavers = 0 <= now_ns - fault.told_ns.get(way, 0) < UPDATE_NS
    return Kind.CHANGED if told and told != fault.told_as and not wavers else None


# -- the queue


def put(kept: Kept, news: News, document: bytes, now_ns: int) -> None:
    """Queue a notice in its words; of a full queue the oldest goes, and is counted."""
    fault = news.fault
    kept.waiting.append(
        Waiting(
            way=news.way,
            kind=news.kind,
            fault="" if fault is None else fault.number,
            elements=() if fault is None else fault.elements,
            start_ns=0 if fault is None else fault.start_ns,
            queued_ns=now_ns,
            document=msgspec.Raw(document),
        )
    )
    mine = [w for w in kept.waiting if w.way == news.way]
    if len(mine) > MOST_WAITING:
        _drop(kept, mine[0])


def due(kept: Kept, way: Way, settings: Notices, now_ns: int, zone: tzinfo | None) -> Waiting | None:
    """What is to be sent by a way now: the oldest, so that an end never comes before its beginning."""
    for old in [w for w in kept.waiting if w.way == way and now_ns - w.queued_ns > GIVEN_UP_NS]:
        _drop(kept, old)
    first = next((w for w in kept.waiting if w.way == way), None)
    if first is None or quiet(settings, now_ns, zone):
        return None
    # A try further off than the longest pause was put there by a clock that has been set back since.
    return None if 0 < first.next_ns - now_ns <= WAITS_S[-1] * NS_PER_S else first


def _drop(kept: Kept, one: Waiting) -> None:
    kept.waiting.remove(one)
    kept.left_out[one.way] = kept.left_out.get(one.way, 0) + 1


def sent(kept: Kept, one: Waiting) -> list[tuple[str, float]]:
    """It is out: no longer kept. The readings, name and value, that tell the other agents."""
    kept.waiting = [w for w in kept.waiting if w is not one]
    kept.left_out.pop(one.way, None)
    begins = one.kind in (Kind.OPENED, Kind.CHANGED)
    return [(f"{TOLD}:{one.way}:{element}", float(begins)) for element in one.elements]


def failed(one: Waiting, now_ns: int) -> float:
    """It could not be sent; the pause until the next try in seconds."""
    one.tries += 1
    wait_s = WAITS_S[min(one.tries, len(WAITS_S) - 1)]
    one.next_ns = now_ns + wait_s * NS_PER_S
    return wait_s
