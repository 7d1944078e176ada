"""Three faults at once: the third may be an element that did not compete while two were thought enough."""

import numpy as np

from support.homes import alder
from whichhop.compare.inference.evidence import columns_of
from whichhop.compare.inference.likelihood import DELAYS_S, LOSSES, TAILS, Evidence
from whichhop.compare.inference.pairs import Pairs, distinct_pairs
from whichhop.compare.inference.triples import Triples, found_triples
from whichhop.compare.suspects.elements import elements_of
from whichhop.model import derive_sessions

HOME = alder()
SESSIONS = derive_sessions(HOME)
ELEMENTS = elements_of(HOME, SESSIONS)
NAMES = [e.name for e in ELEMENTS]
COLUMNS = [e.column for e in ELEMENTS]
FIT = columns_of(ELEMENTS, len(SESSIONS))
ONSET = np.full(len(ELEMENTS), 1e-4)
TICKS = 6


def place(*names):
    return tuple(sorted(NAMES.index(n) for n in names))


def delayed(by):
    """Ticks in which each element delays by seconds, delays add, and each session's is seen to a quarter."""
    over = np.zeros(len(SESSIONS))
    for name, seconds in by.items():
        over[list(ELEMENTS[NAMES.index(name)].column)] += seconds
    # Log-ratios of a normal density of log-delay against one of none at all.
    seen = np.log((over + 0.002) / (DELAYS_S[:, None] + 0.002)) / 0.5
    none = np.log((over + 0.002) / 0.002) / 0.5
    ratio = np.clip((none**2 - seen**2) / 2.0, -4.0, 6.0)
    return Evidence(
        delay=np.repeat(ratio[:, None].astype(np.float32), TICKS, axis=1),
        loss=np.full((len(LOSSES), TICKS, len(SESSIONS)), -1.0, dtype=np.float32),
        tail=np.zeros((len(TAILS), TICKS, len(SESSIONS)), dtype=np.float32),
        late=np.zeros((TICKS, len(SESSIONS)), dtype=np.float32),
        alone=np.zeros((TICKS, len(SESSIONS)), dtype=bool),
    )


def found(by, chosen, bases):
    tables = Pairs(delayed(by), FIT)
    pairs = {p: tables.ratio(*p) for p in [*bases, *distinct_pairs(COLUMNS, chosen)]}
    threes = Triples(delayed(by), FIT, tables, np.arange(TICKS))
    alone = {j: tables.single[:, j] for j in chosen}
    return found_triples(threes, alone, pairs, COLUMNS, ONSET)


DESK_AND_STUDY = {"desk/attic": 0.060, "study/router": 0.060}
BASE = place("desk/attic", "study/router")
LINE = ("router/modem", "modem/provider-edge", "own-traffic", "route:router")
"""One column: nobody who only sends packets tells these apart."""


def columns_in(threes):
    return {frozenset(COLUMNS[j] for j in members) for members in threes}


def test_a_third_that_a_box_hid_while_two_were_thought_enough_is_found():
    """The box passes on most of what the line delays, so that the line added nothing beside it."""
    hidden = place("desk/attic", "study/router", "forward:router")
    threes = found({**DESK_AND_STUDY, "modem/provider-edge": 0.050}, hidden, [BASE])
    assert {COLUMNS[j] for j in (*BASE, NAMES.index("own-traffic"))} in columns_in(threes)


def test_two_that_explain_all_stay_two():
    assert found(DESK_AND_STUDY, place("desk/attic", "study/router", "forward:router"), [BASE]) == []


def test_many_names_of_one_third_leave_room_for_another():
    """A box that explains nearly as much as the line must compete, or the line seems too sure."""
    chosen = place("desk/attic", "study/router", "forward:router", *LINE)
    threes = found({**DESK_AND_STUDY, "modem/provider-edge": 0.050}, chosen, [BASE])
    for third in ("own-traffic", "forward:router"):
        assert {COLUMNS[j] for j in (*BASE, NAMES.index(third))} in columns_in(threes)
