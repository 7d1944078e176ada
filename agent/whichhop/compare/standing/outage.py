"""What let nothing through from the first packet on: told apart from targets that answer nobody."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations

import numpy as np

from whichhop.compare.standing.columns import FAULT_PRIOR
from whichhop.compare.standing.seen import Period
from whichhop.compare.standing.usual import kind_of
from whichhop.compare.suspects.elements import HOME_SIDE, Element, Nature
from whichhop.compare.suspects.priors import PRIORS
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
"""A device of the home that neither measures nor answers is as likely as not just switched off."""
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Outage:
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


@dataclass(slots=True)
class OutageWatch:
    """Looks at a table that begins with the first packet, again and again as it grows, or once when whole."""

    home: Home
    sessions: Sequence[Session]
    elements: Sequence[Element]
    _stage: int = 0
    _named: dict[tuple[int, ...], Outage] = field(default_factory=dict)

    def look(self, period: Period) -> list[Outage]:
        """What lets nothing through since before the first packet, or did until its end."""
        asked = np.cumsum((period.speaks & (period.table.sent > 0)).any(axis=1))
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
        return self.told

    @property
    def told(self) -> list[Outage]:
        """Everything named so far."""
        return list(self._named.values())

    def moved(self, ticks: int) -> None:
        """The table's first ticks were dropped, and with them what could still be told of the beginning."""
        self._stage = len(STAGES)
        for members, one in self._named.items():
            end = None if one.end is None else one.end - ticks
            self._named[members] = replace(one, named_at=one.named_at - ticks, end=end)


def _followed(one: Outage, table: WindowTable) -> Outage:
    columns = list(one.column)
    answered = (table.sent[:, columns] > table.lost[:, columns]).any(axis=1)
    return replace(one, end=int(answered.argmax())) if answered.any() else one


def outages(
    home: Home, sessions: Sequence[Session], elements: Sequence[Element], period: Period
) -> Iterator[Outage]:
    """What lets nothing through in all of a period, where that explains the silence better than the targets'
    own ways do: one element, or two."""
    sent = np.where(period.speaks, period.table.sent, 0).sum(axis=0, dtype=np.int64)
    lost = np.where(period.speaks, period.table.lost, 0).sum(axis=0, dtype=np.int64)
    silent = frozenset(np.flatnonzero((lost == sent) & (sent >= LEAST_SENT)).tolist())
    answered = frozenset(
        np.flatnonzero(period.table.sent.sum(axis=0) > period.table.lost.sum(axis=0)).tolist()
    )
    if not silent:
        return
    groups = _groups(home, elements, silent, answered)
    mute = _Mute(home, sessions, silent, answered)
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
    home: Home, elements: Sequence[Element], silent: frozenset[int], answered: frozenset[int]
) -> dict[frozenset[int], list[tuple[int, float]]]:
    """By the silent sessions that cross them, elements that nobody's answer crossed, with their priors."""
    out: dict[frozenset[int], list[tuple[int, float]]] = {}
    for j, element in enumerate(elements):
        column = element.column & silent
        if element.nature in LETS_NONE and column and not element.column & answered:
            prior = PRIORS[element.nature]
            weight = FAULT_PRIOR[kind_of(home, element)] * (prior.loss + prior.both) * WHOLE
            out.setdefault(column, []).append((j, weight))
    return out


class _Mute:
    """How likely what no fault explains is silent by itself."""

    def __init__(
        self, home: Home, sessions: Sequence[Session], silent: frozenset[int], answered: frozenset[int]
    ) -> None:
        self._sessions, self._silent = sessions, silent
        self._answers = {sessions[i].key.target for i in answered}
        agents = {s.key.agent for s in sessions}
        self._by_itself = {
            sessions[i].key.target: self._of(home, sessions[i].key.target, agents) for i in silent
        }

    @staticmethod
    def _of(home: Home, target: str, agents: set[str]) -> float:
        node = home.nodes.get(target)
        if node is None:
            return RESOLVER_MUTE
        if node.kind is NodeKind.HOST and target not in agents:
            return SWITCHED_OFF
        return ANSWERS_NOBODY[node.kind]

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
