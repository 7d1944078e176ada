"""What let nothing through from the first packet on: told apart from targets that answer nobody.

Of few targets that is not sure while it lasts; once they answer, they are none that answer nobody, and it is
told.
"""

from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations

import numpy as np
from msgspec import Struct, field
from msgspec.structs import replace
from numpy.typing import NDArray

from whichhop.compare.standing.columns import FAULT_PRIOR
from whichhop.compare.standing.seen import Period
from whichhop.compare.standing.usual import kind_of
from whichhop.compare.suspects.elements import HOME_SIDE, Element, Nature
from whichhop.compare.suspects.priors import PRIORS
from whichhop.compare.windows.reporting import NEVER, first_answers
from whichhop.compare.windows.table import WindowTable
from whichhop.model import PROVIDER_EDGE, Home, LinkKind, NodeKind, Session

WHOLE = 0.5
"""Of the standing faults that lose packets those that let none through: an outage makes people measure at
once; common practice."""
STAGES = (6, 16, 58)
"""After so many ticks in which somebody asked: a minute, since a machine that has just started is not always
joined yet, and when all else is weighed again."""
LEAST_SENT = 10
"""Packets without an answer before a session counts as one that gets none."""
NAMED_AT = 0.9
"""How sure one must be, as for any episode."""
LEADERS = 8
"""Pairs are tried among the likeliest; it bounds the cost."""

SWITCHED_OFF = 0.5
"""A device of the home that neither measures nor answers is as likely as not just switched off, and an agent
that sends nothing does not run yet."""
ANSWERS_NOBODY: dict[NodeKind, float] = {
    NodeKind.MODEM: 0.4,
    NodeKind.PROVIDER_EDGE: 0.15,
    NodeKind.ROUTER: 0.05,
    NodeKind.GATEWAY: 0.05,
    NodeKind.MESH_NODE: 0.1,
    NodeKind.ACCESS_POINT: 0.1,
    NodeKind.SWITCH: 0.1,
    NodeKind.HOST: 0.03,
    NodeKind.PEER: 0.04,
}
"""How likely a box passes packets on and answers none of its own, by what it is; common practice. Hosts and
peers are those that somebody named since they answer; a provider's first hop has answered who looked for
it."""
RESOLVER_MUTE = 0.02
REFUSES_ONE = 0.02
"""A target that answers others and not this one."""
FILTERED = 0.0005
"""Nor are all targets past the home silent by themselves only: test packets may be filtered where other
traffic is not. An order of size, no source."""
LETS_NONE = frozenset(HOME_SIDE | {Nature.ACCESS, Nature.BEYOND})
ANSWERING = frozenset({Nature.REPLY, Nature.DESTINATION, Nature.RESOLVER})
"""What a target that was silent for a while may have been itself; one that still is has its own chances."""
BACK_TICKS = 3
"""The first answers of all that one outage silenced come within so many ticks: some probes ask twice a
minute."""


class Outage(Struct, frozen=True, kw_only=True):
    """members: elements that no session tells apart, likeliest first, with their shares of `probability`.

    column: the sessions that it silenced. named_at: the tick after which it was told. end: the tick in which
    one of them was answered first, None while none is.
    """

    members: tuple[int, ...]
    shares: tuple[float, ...]
    probability: float
    column: tuple[int, ...]
    named_at: int
    end: int | None


class OutageWatch(Struct):
    """Looks at a table that begins with the first packet, again and again as it grows, or once when whole."""

    home: Home
    sessions: Sequence[Session]
    elements: Sequence[Element]
    _stage: int = 0
    _begins: bool = True
    _returned: set[int] = field(default_factory=set)
    _named: dict[tuple[int, ...], Outage] = field(default_factory=dict)

    def look(self, period: Period) -> list[Outage]:
        """What lets nothing through since before the first packet, or did until its end."""
        asked = np.cumsum((period.speaks & (period.table.sent > 0)).any(axis=1), dtype=np.int64)
        while self._stage < len(STAGES):
            reached = np.flatnonzero(asked >= STAGES[self._stage])
            if not reached.size:
                break
            end = int(reached[0]) + 1
            self._stage += 1
            if not any(one.end is None for one in self._named.values()):
                for one in outages(self.home, self.sessions, self.elements, period.until(end)):
                    self._named.setdefault(one.members, one)
        for members, one in self._named.items():
            if one.end is None:
                self._named[members] = _followed(one, period.table)
        if self._begins:
            self._look_back(period, asked)
        return self.told

    def _look_back(self, period: Period, asked: NDArray[np.int64]) -> None:
        """What was silent for a minute or more and then answered, and was not named while it was silent.

        asked: in how many of the ticks up to each somebody asked.
        """
        table = period.table
        first = first_answers(table)
        first[[i for one in self._named.values() for i in one.column]] = 0
        for end in sorted(set(first.tolist()) - self._returned):
            if not end or end + BACK_TICKS > table.ticks:
                continue
            self._returned.add(end)
            if asked[end - 1] < STAGES[0]:
                continue
            back = frozenset(np.flatnonzero((first >= end) & (first < end + BACK_TICKS)).tolist())
            for one in outages(self.home, self.sessions, self.elements, period.until(end), back):
                if back.intersection(one.column):
                    self._named.setdefault(one.members, replace(one, end=end))

    @property
    def told(self) -> list[Outage]:
        """Everything named so far."""
        return list(self._named.values())

    def moved(self, ticks: int) -> None:
        """The table's first ticks were dropped, and with them what could still be told of the beginning."""
        self._stage, self._begins = len(STAGES), False
        for members, one in self._named.items():
            end = None if one.end is None else one.end - ticks
            self._named[members] = replace(one, named_at=one.named_at - ticks, end=end)


def _followed(one: Outage, table: WindowTable) -> Outage:
    end = int(first_answers(table)[list(one.column)].min(initial=NEVER))
    return one if end == NEVER else replace(one, end=end)


def outages(
    home: Home,
    sessions: Sequence[Session],
    elements: Sequence[Element],
    period: Period,
    back: frozenset[int] = frozenset(),
) -> Iterator[Outage]:
    """What lets nothing through in all of a period, where that explains the silence better than the targets'
    own ways do: one element, or two. back: the sessions that are answered right after it."""
    sent = np.where(period.speaks, period.table.sent, 0).sum(axis=0, dtype=np.int64)
    lost = np.where(period.speaks, period.table.lost, 0).sum(axis=0, dtype=np.int64)
    silent = frozenset(np.flatnonzero((lost == sent) & (sent >= LEAST_SENT)).tolist())
    answered = frozenset(
        np.flatnonzero(period.table.sent.sum(axis=0) > period.table.lost.sum(axis=0)).tolist()
    )
    if not silent:
        return
    groups = _groups(home, elements, silent, answered, back)
    begun = {s.key.agent for s, count in zip(sessions, sent.tolist(), strict=True) if count}
    ways = _own_ways(home, sessions, silent, begun, back)
    mute = _Mute(sessions, silent, answered, ways)
    columns = list(groups)
    prior = np.array([sum(weight for _, weight in groups[c]) for c in columns])
    alone = [mute.weight(column) * p for column, p in zip(columns, prior, strict=True)]
    order = np.argsort(-np.array(alone), kind="stable")[:LEADERS].tolist()
    weights: dict[tuple[int, ...], float] = {(): mute.weight(frozenset())}
    weights |= {(g,): weight for g, weight in enumerate(alone)}
    for one, other in combinations(order, 2):
        # Two of which one explains all that the other does are one.
        if not (columns[one] <= columns[other] or columns[other] <= columns[one]):
            both = mute.weight(columns[one] | columns[other])
            weights[one, other] = both * float(prior[one] * prior[other])
    for chosen, probability in _named(columns, weights):
        each = {g: sum(w for h, w in weights.items() if g in h) for g in chosen}
        whole = sum(each.values())
        parts = [
            (j, float(each[g] / whole * weight / prior[g]))
            for g in chosen
            for j, weight in groups[columns[g]]
        ]
        parts.sort(key=lambda part: -part[1])
        yield Outage(
            members=tuple(j for j, _ in parts),
            shares=tuple(share for _, share in parts),
            probability=float(probability),
            column=tuple(sorted(columns[chosen[0]].intersection(*(columns[g] for g in chosen)))),
            named_at=period.table.ticks,
            end=None,
        )


def _named(
    columns: Sequence[frozenset[int]], weights: Mapping[tuple[int, ...], float]
) -> list[tuple[tuple[int, ...], float]]:
    """Which groups are surely dead, with the probability; where none is, several of which one surely is.

    A line with a modem that answers nobody looks as the cable to a modem does: then both are named.
    """
    total = sum(weights.values())

    def sure(of: Sequence[int]) -> float:
        return sum(w for chosen, w in weights.items() if set(of) & set(chosen)) / total

    alone: list[tuple[tuple[int, ...], float]] = [
        ((g,), p) for g in range(len(columns)) if (p := sure((g,))) >= NAMED_AT
    ]
    several: list[int] = []
    for g in sorted(range(len(columns)), key=lambda g: -sure((g,))):
        if alone or not columns[g].intersection(*(columns[k] for k in several)):
            continue
        several.append(g)
        if (p := sure(several)) >= NAMED_AT:
            return [(tuple(several), p)]
    return alone


def _groups(
    home: Home,
    elements: Sequence[Element],
    silent: frozenset[int],
    answered: frozenset[int],
    back: frozenset[int],
) -> dict[frozenset[int], list[tuple[int, float]]]:
    """By the silent sessions that cross them, elements that nobody's answer crossed, with their priors."""
    out: dict[frozenset[int], list[tuple[int, float]]] = {}
    for j, element in enumerate(elements):
        column = element.column & silent
        may = element.nature in LETS_NONE or (element.nature in ANSWERING and column <= back)
        if may and column and not element.column & answered:
            prior = PRIORS[element.nature]
            weight = FAULT_PRIOR[kind_of(home, element)] * (prior.loss + prior.both) * WHOLE
            out.setdefault(column, []).append((j, weight))
    return out


def _own_ways(
    home: Home,
    sessions: Sequence[Session],
    silent: frozenset[int],
    begun: set[str],
    back: frozenset[int],
) -> dict[str, float]:
    """By silent target, how likely it is silent by itself. begun: agents that sent anything; back: sessions
    whose targets are no longer silent, so that they are none that answer nobody."""
    agents = {s.key.agent for s in sessions}
    returned = {sessions[i].key.target for i in back}
    out = {}
    for target in {sessions[i].key.target for i in silent}:
        node = home.nodes.get(target)
        if node and target not in begun and (node.kind is NodeKind.HOST or target in agents):
            out[target] = SWITCHED_OFF
        elif target in returned:
            out[target] = FILTERED
        else:
            out[target] = RESOLVER_MUTE if node is None else ANSWERS_NOBODY[node.kind]
    return out


class _Mute:
    """How likely what no fault explains is silent by itself. by_itself: of each target, for all askers."""

    def __init__(
        self,
        sessions: Sequence[Session],
        silent: frozenset[int],
        answered: frozenset[int],
        by_itself: Mapping[str, float],
    ) -> None:
        self._sessions, self._silent, self._by_itself = sessions, silent, by_itself
        self._answers = {sessions[i].key.target for i in answered}

    def weight(self, explained: frozenset[int]) -> float:
        """The chance of all the silence but of the sessions in `explained`."""
        rest = self._silent - explained
        near, past = 1.0, 1.0
        refused = [i for i in rest if self._sessions[i].key.target in self._answers]
        for target in {self._sessions[i].key.target for i in rest.difference(refused)}:
            if self._past_the_home(target):
                past *= self._by_itself[target]
            else:
                near *= self._by_itself[target]
        return float(near * max(past, FILTERED) * REFUSES_ONE ** len(refused))

    def _past_the_home(self, target: str) -> bool:
        return target == PROVIDER_EDGE or any(
            link.kind in (LinkKind.ACCESS, LinkKind.BEYOND)
            for s in self._sessions
            if s.key.target == target
            for link in s.path.links
        )
