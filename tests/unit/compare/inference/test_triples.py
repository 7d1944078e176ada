from itertools import permutations, product

import numpy as np
import pytest

from support.homes import alder
from whichhop.compare.inference.evidence import SHAPES, columns_of
from whichhop.compare.inference.likelihood import DELAYS_S, LOSSES, TAILS, Evidence
from whichhop.compare.inference.pairs import Pairs
from whichhop.compare.inference.triples import Triples
from whichhop.compare.suspects.elements import elements_of
from whichhop.model import derive_sessions

HOME = alder()
SESSIONS = derive_sessions(HOME)
ELEMENTS = elements_of(HOME, SESSIONS)
NAMES = [e.name for e in ELEMENTS]
COLUMNS = columns_of(ELEMENTS, len(SESSIONS))
RNG = np.random.default_rng(3)
EVIDENCE = Evidence(
    delay=RNG.normal(0, 1, (len(DELAYS_S), 1, len(SESSIONS))).astype(np.float32),
    loss=RNG.normal(0, 1, (len(LOSSES), 1, len(SESSIONS))).astype(np.float32),
    tail=np.zeros((len(TAILS), 1, len(SESSIONS)), dtype=np.float32),
    late=np.zeros((1, len(SESSIONS)), dtype=np.float32),
    alone=np.zeros((1, len(SESSIONS)), dtype=bool),
)


def lost_in(one, size_s, other, greater_s):
    """An excess under three tenths of one that all its sessions meet too is a part of how that one varies."""
    return ELEMENTS[one].column <= ELEMENTS[other].column and size_s < np.float32(0.3) * greater_s


def mean(which, members, having):
    """The mean over the excesses of those that have the measure: delays add, survivals multiply."""
    grid, table = ((DELAYS_S, EVIDENCE.delay), (LOSSES, EVIDENCE.loss))[which]
    allowed = (COLUMNS.delays, COLUMNS.losses)[which]
    who = [j for j, has in zip(members, having, strict=True) if has]
    total = 0.0
    for values in product(*(grid[allowed[:, j]] for j in who)):
        each = permutations(zip(who, values, strict=True), 2)
        if which == 0 and any(lost_in(*one, *other) for one, other in each):
            continue
        log = 0.0
        for s in range(len(SESSIONS)):
            times = [(s in ELEMENTS[j].column) + (s in ELEMENTS[j].twice) for j in who]
            if any(times):
                met = zip(times, values, strict=True)
                at = sum(n * v for n, v in met) if which == 0 else 1 - np.prod([(1 - v) ** n for n, v in met])
                log += np.interp(at, grid, table[:, 0, s])
        total += np.exp(log)
    return total / len(grid) ** len(who)


@pytest.mark.parametrize(
    "names",
    [
        ("desk/attic", "modem/provider-edge", "reply:router"),
        ("study/router", "attic/router", "modem/provider-edge"),
        ("air:attic", "desk/attic", "reply:attic"),
    ],
)
def test_three_are_the_sum_over_all_their_excesses_by_the_definition(names):
    members = [NAMES.index(n) for n in names]
    found = Triples(EVIDENCE, COLUMNS, Pairs(EVIDENCE, COLUMNS), np.array([0])).ratio(members)[0]
    delay = {way: mean(0, members, way) for way in product((0, 1), repeat=3)}
    loss = {way: mean(1, members, way) for way in product((0, 1), repeat=3)}
    wanted = 0.0
    for shapes in product(SHAPES, repeat=3):
        ways = tuple(d for d, _, _ in shapes), tuple(k for _, k, _ in shapes)
        wanted += np.prod([w for _, _, w in shapes]) * delay[ways[0]] * loss[ways[1]]
    assert found == pytest.approx(np.log(wanted), abs=3e-3)
