"""The home's state now as a bulletin: each link in a line, agents, the day's verdicts, what to do next."""

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from whichhop.compare.comparison import silent_targets
from whichhop.compare.live import HomeState
from whichhop.compare.words import explain
from whichhop.model import CAUSE_TABLE, LINK_TABLE, Home, Link, Method, Owner, Verdict
from whichhop.model.bulletin import (
    AgentNow,
    Bulletin,
    LinkNow,
    LinkState,
    NoticeHeard,
    OwnUse,
    RoomRate,
    ToldVerdict,
)
from whichhop.model.channel import ModemNow
from whichhop.model.inner_cause import Felt
from whichhop.model.note import Note
from whichhop.model.past_fault import PastDays
from whichhop.stats.proportion import wilson

LATELY_TICKS = 6
"""A minute: long enough for a figure of loss, short enough to be called now."""
SUSPECTED_AT = 0.5
"""From here on a link is likelier at fault than not."""
MOST_STEPS = 4
MOST_TOLD = 100
"""A flapping link must not make the bulletin a book: the newest verdicts are told."""


def bulletin_of(
    standing: HomeState,
    told: Sequence[Verdict],
    *,
    troubles: Mapping[str, str] | None = None,
    rooms: Iterable[RoomRate] = (),
    notes: Iterable[Note] = (),
    steps: Sequence[str] | None = None,
    modems: Sequence[ModemNow] = (),
    own_use: OwnUse | None = None,
    notices: Sequence[NoticeHeard] = (),
    past: PastDays | None = None,
    felt: Sequence[Felt] = (),
) -> Bulletin:
    """What stands after the follower's last tick.

    told: the last day's verdicts in any order (see told.DayBook). troubles: by agent, why it does not answer.
    steps: what to do next, the best first; the verdicts' own advice unless given.
    own_use: the home's own traffic of the last minute. notices: what agents let each other know of notices.
    past: the last month by the day. felt: what is felt though no hop is slow; without a step it is left out.
    """
    home, table = standing.home, standing.table
    ordered = sorted(told, key=lambda v: (v.end_ns is None, v.start_ns, v.elements), reverse=True)[:MOST_TOLD]
    ordered.sort(key=lambda v: (v.start_ns, v.elements), reverse=True)
    lasting = [v for v in ordered if v.end_ns is None]
    links = tuple(_link_now(standing, link, lasting) for link in _from_far_ends(home))
    unknown = [link.name for link in links if link.state is LinkState.UNKNOWN]
    return Bulletin(
        home=home.name,
        at_ns=table.at_ns(table.ticks),
        since_ns=table.start_ns,
        learning_s=float(standing.learning_s),
        agents=_agents(standing, troubles or {}),
        links=links,
        unanswered=_unanswered(standing, unknown) if unknown else (),
        told=tuple(ToldVerdict(verdict=v, words=tuple(explain(v))) for v in ordered),
        findings=standing.findings,
        rooms=tuple(rooms),
        notes=tuple(notes),
        steps=tuple(own_steps(lasting) if steps is None else steps),
        levels_s=float(standing.levels_s),
        plan_down_bps=home.plan.down_bps if home.plan else None,
        plan_up_bps=home.plan.up_bps if home.plan else None,
        modems=tuple(modems),
        own_use=own_use,
        notices=tuple(notices),
        past=past,
        zone=home.zone or "",
        felt=tuple(f for f in felt if f.steps),
    )


def own_steps(lasting: Iterable[Verdict]) -> list[str]:
    """What the verdicts that last ask for: first what would make them sure, then whose turn it is."""
    out: list[str] = []
    for verdict in lasting:
        out += verdict.would_change
        out += [f"For a claim that holds: {m}" for m in verdict.missing]
        if CAUSE_TABLE[verdict.cause].owner is Owner.PROVIDER and verdict.proven:
            out.append("Make the report for the provider: whichhop evidence HOME --html FILE")
    return list(dict.fromkeys(out))[:MOST_STEPS]


def _from_far_ends(home: Home) -> list[Link]:
    """Links in the order from the home's far ends to the provider; those as far keep their written order."""

    def links_left(link: Link) -> int:
        path = home.path(link.near, home.root)
        return len(path.links) if path is not None else 0

    return sorted(home.links, key=links_left, reverse=True)


def _agents(standing: HomeState, troubles: Mapping[str, str]) -> tuple[AgentNow, ...]:
    table = standing.table
    out = []
    for node in standing.home.agents:
        mine = [i for i, s in enumerate(standing.sessions) if s.key.agent == node.name]
        spoke = (table.sent[:, mine] > 0) | (table.aside[:, mine] > 0)
        ticks = np.flatnonzero(spoke.any(axis=1))
        heard_ns = table.at_ns(int(ticks[-1]) + 1) if ticks.size else None
        out.append(AgentNow(name=node.name, heard_ns=heard_ns, trouble=troubles.get(node.name, "")))
    return tuple(out)


def _unanswered(standing: HomeState, unknown: Sequence[str]) -> tuple[str, ...]:
    answered = standing.table.answered_at_all()
    heard = [s.key for s, one in zip(standing.sessions, answered, strict=True) if one]
    asked = [s for i, s in enumerate(standing.sessions) if standing.table.sent[:, i].any()]
    return silent_targets(asked, heard, unknown)


def _link_now(standing: HomeState, link: Link, lasting: Sequence[Verdict]) -> LinkNow:
    crossing = [i for i, s in enumerate(standing.sessions) if link.name in (k.name for k in s.path.links)]
    ending = [i for i in crossing if standing.sessions[i].path.links[-1].name == link.name]
    least = min((len(standing.sessions[i].path.links) for i in ending), default=0)
    nearest = [i for i in ending if len(standing.sessions[i].path.links) == least]
    # The agent next to a link sees it with the least of other links mixed in.
    figures = _figures(standing, nearest)
    # The verdict on top of the page holds of the link too; a finding is of one tick alone.
    told = [v.probability for v in lasting if link.name in v.elements]
    found = [f.probability for f in standing.findings if link.name in f.elements]
    probability = max(told or found, default=0.0)
    return LinkNow(
        name=link.name,
        near=link.near,
        far=link.far,
        kind=link.kind,
        medium=link.medium,
        state=_state(standing, link, crossing, lasting, probability),
        probability=probability,
        rtt_s=figures.rtt_s,
        added_s=figures.added_s,
        loss_ratio=figures.loss_ratio,
        packets=figures.packets,
        level=next((v for v in standing.levels if link.name in v.elements), None),
        whole_path=figures.whole_path,
    )


def _state(
    standing: HomeState, link: Link, crossing: Sequence[int], lasting: Sequence[Verdict], probability: float
) -> LinkState:
    names = {each.name for each in standing.home.links}
    blamed = [v for v in lasting if link.name in v.elements]
    if any(
        v.cause is LINK_TABLE[link.kind].cause and names.intersection(v.elements) == {link.name}
        for v in blamed
    ):
        return LinkState.AT_FAULT
    if blamed or probability >= SUSPECTED_AT:
        return LinkState.SUSPECTED
    lately = _lately(standing)[:, crossing]
    learned = standing.baseline is not None and np.isfinite(standing.baseline.loc50[crossing])
    return LinkState.NO_FAULT if bool((lately.any(axis=0) & learned).any()) else LinkState.UNKNOWN


def _lately(standing: HomeState) -> NDArray[np.bool_]:
    return standing.speaks[-LATELY_TICKS:]


class _Figures(Struct, frozen=True, kw_only=True):
    """A link's figures of the last minute, as LinkNow has them."""

    rtt_s: float | None
    added_s: float | None
    loss_ratio: float | None
    packets: int
    whole_path: bool


def _figures(standing: HomeState, columns: Sequence[int]) -> _Figures:
    """What some sessions that end just past a link tell of it, less what was so before it already."""
    to_near = _to_near_end(standing, columns)
    own = list(to_near) if to_near else list(columns)
    packets, lost = _counted(standing, own)
    loss = lost / packets if packets else None
    added = _median(_excess(standing, own))
    if to_near:
        before = list(to_near.values())
        sent, gone = _counted(standing, before)
        if loss is not None and sent:
            # Shares of what arrived multiply along a path.
            loss = max(0.0, 1.0 - (1.0 - loss) / max(1.0 - gone / sent, 1e-9))
            if gone and wilson(lost, packets).low <= wilson(gone, sent).high:
                loss = None  # chance alone makes as much of a difference
        if added is not None:
            # Box by box and tick by tick, so that what comes and goes on the shared part cancels.
            each = _median(_excess(standing, own) - _excess(standing, before))
            added = added if each is None else each
    rtt = np.where(_lately(standing)[:, own], standing.table.q50_s[-LATELY_TICKS:, own], np.nan)
    longest = max((len(standing.sessions[i].path.links) for i in own), default=0)
    return _Figures(
        rtt_s=_median(rtt),
        added_s=added,
        loss_ratio=loss,
        packets=packets,
        whole_path=not to_near and longest > 1,
    )


def _to_near_end(standing: HomeState, columns: Sequence[int]) -> dict[int, int]:
    """By session, one of the same agent that ends where the session's last link begins, or as near to that as
    anything answers; of the same way of asking where there is one."""
    ends = {
        (s.key.agent, s.key.method, tuple(k.name for k in s.path.links)): i
        for i, s in enumerate(standing.sessions)
    }
    out = {}
    for i in columns:
        session = standing.sessions[i]
        names = tuple(k.name for k in session.path.links)
        methods = (session.key.method, *(m for m in Method if m is not session.key.method))
        shorter = [names[:length] for length in range(len(names) - 1, 0, -1)]
        near = (ends.get((session.key.agent, m, links)) for links in shorter for m in methods)
        found = next((j for j in near if j is not None), None)
        if found is not None:
            out[i] = found
    return out


def _counted(standing: HomeState, chosen: list[int]) -> tuple[int, int]:
    """Packets and losses of some sessions in the last minute."""
    speaks, table = _lately(standing)[:, chosen], standing.table
    sent = int(np.where(speaks, table.sent[-LATELY_TICKS:, chosen], 0).sum())
    return sent, int(np.where(speaks, table.lost[-LATELY_TICKS:, chosen], 0).sum())


def _excess(standing: HomeState, chosen: list[int]) -> NDArray[np.floating]:
    """Round trips over their quiet median by tick and session, nan where not known."""
    q50 = np.where(_lately(standing)[:, chosen], standing.table.q50_s[-LATELY_TICKS:, chosen], np.nan)
    if standing.baseline is None:
        return np.full_like(q50, np.nan)
    excess: NDArray[np.floating] = q50 - standing.baseline.loc50[chosen]
    return excess


def _median(values: NDArray[np.floating]) -> float | None:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else None
