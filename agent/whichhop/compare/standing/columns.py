"""Elements gathered by equal columns: one healthy budget and one possible fault a group."""

from collections.abc import Sequence
from functools import cache

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from whichhop.compare.standing.usual import MS, USUAL, ElementKind, Feature, Spread, kind_of
from whichhop.compare.suspects.elements import Element
from whichhop.model import Home

Floats = NDArray[np.float64]
FEATURES = (Feature.LEVEL, Feature.TAIL, Feature.LOSS, Feature.LATE)

FAULT_PRIOR: dict[ElementKind, float] = {
    ElementKind.WIFI: 0.03,
    ElementKind.RADIO_BACKHAUL: 0.03,
    ElementKind.ANY_BACKHAUL: 0.03,
    ElementKind.CABLE: 0.03,
    ElementKind.DSL: 0.03,
    ElementKind.FIXED_WIRELESS: 0.03,
    ElementKind.SATELLITE: 0.03,
    ElementKind.ANY_ACCESS: 0.03,
    ElementKind.HOST: 0.02,
    ElementKind.POWER_LINE: 0.02,
    ElementKind.FIBRE: 0.02,
    ElementKind.AIR: 0.02,
    ElementKind.COAX: 0.01,
    ElementKind.BEYOND: 0.01,
    ElementKind.DESTINATION: 0.01,
    ElementKind.ETHERNET: 0.005,
    ElementKind.FORWARDING: 0.005,
    ElementKind.REPLY: 0.02,
    ElementKind.DOZING_REPLY: 0.02,
    ElementKind.RESOLVER: 0.02,
    ElementKind.OWN_TRAFFIC: 0.10,
}
"""How likely a standing fault is when somebody begins to measure; common practice: who measures has a reason.

Own traffic: where no counter tells, a home that is busy just then is likelier than any fault of its line.
"""

WATCHED = 0.1
"""A host whose own lateness readings are good is this much less likely to be at fault itself."""

_RADIO = (
    ElementKind.WIFI,
    ElementKind.RADIO_BACKHAUL,
    ElementKind.ANY_BACKHAUL,
    ElementKind.POWER_LINE,
    ElementKind.AIR,
)
LEAST: dict[bool, dict[Feature, float]] = {
    True: {Feature.LEVEL: 8 * MS, Feature.TAIL: 5 * MS, Feature.LOSS: 0.015, Feature.LATE: 0.03},
    False: {Feature.LEVEL: 4 * MS, Feature.TAIL: 3 * MS, Feature.LOSS: 0.015, Feature.LATE: 0.03},
}
"""The smallest excess that is a fault at all, on radio or power line (True) and on other wires."""

SHAPES: tuple[tuple[float, float, float, tuple[Feature, ...]], ...] = (
    (0.20, 0.10, 0.02, (Feature.LEVEL,)),
    (0.05, 0.05, 0.15, (Feature.LEVEL, Feature.TAIL)),
    (0.25, 0.22, 0.45, (Feature.LEVEL, Feature.TAIL, Feature.LATE)),
    (0.10, 0.22, 0.12, (Feature.TAIL, Feature.LATE)),
    (0.05, 0.05, 0.06, (Feature.TAIL,)),
    (0.20, 0.14, 0.01, (Feature.LOSS,)),
    (0.03, 0.02, 0.01, (Feature.LEVEL, Feature.LOSS)),
    (0.04, 0.10, 0.06, (Feature.TAIL, Feature.LATE, Feature.LOSS)),
    (0.08, 0.10, 0.12, (Feature.LEVEL, Feature.TAIL, Feature.LATE, Feature.LOSS)),
)
"""What a standing fault adds, and how often on wires, on radio and by the home's own traffic: steady delay,
jitter, stalls, loss, and their mixtures. A weak radio sends again and waits for others: the odd packet is
late, and most are not. A full queue is never steady, since a flow gives up three tenths of its window at each
loss (RFC 9438 section 4.6), and loses nothing without having delayed it; its shares are an order of size."""
ON_RADIO = (ElementKind.WIFI, ElementKind.RADIO_BACKHAUL, ElementKind.AIR)
_OWN = (ElementKind.OWN_TRAFFIC,)


def usual_shape(kind: ElementKind, features: Sequence[Feature]) -> float:
    """How much of a kind's faults that delay, lose or do both as these features do adds just these."""
    column = 1 if kind in ON_RADIO else 2 if kind in _OWN else 0
    alike = [
        row for row in SHAPES if _loses(row[3]) == _loses(features) and _slows(row[3]) == _slows(features)
    ]
    own = sum(row[:3][column] for row in alike if set(row[3]) == set(features))
    return own / sum(row[:3][column] for row in alike)


def _loses(features: Sequence[Feature]) -> bool:
    return Feature.LOSS in features


def _slows(features: Sequence[Feature]) -> bool:
    return any(f is not Feature.LOSS for f in features)


DISTANT = (
    ElementKind.BEYOND,
    ElementKind.DESTINATION,
    ElementKind.REPLY,
    ElementKind.DOZING_REPLY,
    ElementKind.RESOLVER,
)
"""Kinds whose level alone is no fault: distance, or slowness of one's own, looks the same."""


class Budget(Struct, frozen=True, kw_only=True):
    """Per group, shape (groups,): the healthy prior of one feature in the logarithm, and its harm line."""

    mean: Floats
    sd_above: Floats
    sd_below: Floats
    harm: Floats
    """Infinite where large is not harmful."""
    least: Floats


class Groups(Struct, frozen=True, kw_only=True):
    """members: per group, indices of elements. shares: their parts of the group's fault prior.

    matrix: (sessions, groups), how often a session's packets meet the group one way. prior: of a fault.
    distant: groups of which no member's level can be a fault.
    """

    members: tuple[tuple[int, ...], ...]
    shares: tuple[tuple[float, ...], ...]
    matrix: Floats
    prior: Floats
    shapes: Floats
    distant: NDArray[np.bool_]
    budgets: dict[Feature, Budget]


def groups_in(
    home: Home,
    elements: Sequence[Element],
    heard: Sequence[int],
    *,
    watched: frozenset[str],
    cleared: frozenset[str] = frozenset(),
    awake: frozenset[str] = frozenset(),
) -> Groups:
    """Elements by equal columns over the sessions that were heard; names in `cleared` are left out.

    watched: agents whose own lateness readings are there and good. awake: elements whose answers no sleep
    holds back, though it might.
    """
    place = {session: row for row, session in enumerate(heard)}
    by_column: dict[tuple[tuple[int, int], ...], list[int]] = {}
    for j, element in enumerate(elements):
        if element.name in cleared:
            continue
        column = tuple(
            sorted((place[i], 2 if i in element.twice else 1) for i in element.column if i in place)
        )
        if column:
            by_column.setdefault(column, []).append(j)
    members = tuple(tuple(js) for js in by_column.values())
    matrix = np.zeros((len(heard), len(members)))
    for g, column in enumerate(by_column):
        for row, times in column:
            matrix[row, g] = times
    kinds = [
        [ElementKind.REPLY if elements[j].name in awake else kind_of(home, elements[j]) for j in js]
        for js in members
    ]
    weights = [
        [
            FAULT_PRIOR[kind]
            * (WATCHED if kind is ElementKind.HOST and _agent(elements[j]) in watched else 1.0)
            for j, kind in zip(js, own, strict=True)
        ]
        for js, own in zip(members, kinds, strict=True)
    ]
    shares = tuple(tuple(w / sum(own) for w in own) for own in weights)
    parts = np.array(
        [
            [sum(s for s, k in zip(share, own, strict=True) if k in which) for which in (ON_RADIO, _OWN)]
            for share, own in zip(shares, kinds, strict=True)
        ]
    )
    return Groups(
        members=members,
        shares=shares,
        matrix=matrix,
        prior=np.array([min(0.3, sum(own)) for own in weights]),
        shapes=np.column_stack([1 - parts.sum(axis=1), parts]) @ np.array([row[:3] for row in SHAPES]).T,
        distant=np.array([all(k in DISTANT for k in own) for own in kinds], dtype=bool),
        budgets={f: _budget(kinds, f) for f in FEATURES},
    )


def _agent(element: Element) -> str:
    return element.name.partition(":")[2]


def _budget(groups: Sequence[Sequence[ElementKind]], feature: Feature) -> Budget:
    rows = [
        _budget_of_group(
            tuple(USUAL[k].spread(feature) for k in kinds),
            tuple(USUAL[k].harm.get(feature, np.inf) for k in kinds),
        )
        for kinds in groups
    ]
    mean, above, below, harm = (np.array(c, dtype=np.float64) for c in zip(*rows, strict=True))
    least = np.array([min(LEAST[k in _RADIO][feature] for k in kinds) for kinds in groups], dtype=np.float64)
    return Budget(mean=mean, sd_above=above, sd_below=below, harm=harm, least=least)


@cache
def _budget_of_group(
    spreads: tuple[Spread, ...], lines: tuple[float, ...]
) -> tuple[float, float, float, float]:
    """One log-normal for the sum of a group's members, by its first two moments (Fenton 1960): its mean, its
    spread above and below, its harm line. lines: the members' own."""
    means = np.array([s.median * np.exp(s.log_sd**2 / 2) for s in spreads])
    variances = means**2 * np.array([np.expm1(s.log_sd**2) for s in spreads])
    variance = float(np.log1p(variances.sum() / means.sum() ** 2))
    own = int(np.argmax([s.median for s in spreads]))
    below = spreads[own].log_sd_below or spreads[own].log_sd
    # The largest member's line, and what is usual of the others on top of it.
    line = lines[own] + sum(s.median for i, s in enumerate(spreads) if i != own)
    mean = float(np.log(means.sum()) - variance / 2)
    return mean, variance**0.5, max(below, variance**0.5), float(np.log(line))
