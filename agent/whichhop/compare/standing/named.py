"""Which groups may be named as having a standing fault, by how sure the odds are and how long was measured."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.suspects.elements import OWN_TRAFFIC, Element
from whichhop.compare.standing.columns import Groups, groups_in
from whichhop.compare.standing.faults import Odds, odds_of
from whichhop.compare.standing.seen import Seen, seen_in
from whichhop.compare.standing.usual import Kind, kind_of
from whichhop.compare.windows.table import WindowTable
from whichhop.model import Home

SOONEST_S = 180.0
SURE_SOON = 0.95
"""After three minutes only this sure: one burst of the home's own is a quarter of so short a time."""
SURE_LATER_S = 600.0
SURE_LATER = 0.8
UNBLAMED = (Kind.REPLY, Kind.DOZING_REPLY, Kind.OWN_TRAFFIC, Kind.RESOLVER)
"""What is told and never blamed for being slow from the first packet on: nobody's packets wait for it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighed:
    """A stretch of time, weighed: what was seen, the groups, the odds. heard: sessions in the matrix's rows."""

    seen: Seen
    heard: tuple[int, ...]
    groups: Groups
    odds: Odds
    rest_s: float
    """How many seconds of it could be used."""


def weigh(
    home: Home,
    elements: Sequence[Element],
    table: WindowTable,
    speaks: NDArray[np.bool_],
    use: NDArray[np.float64],
    watched: frozenset[str],
) -> Weighed | None:
    """The odds of standing faults in a stretch; None where no session was heard enough."""
    seen = seen_in(table, speaks, use)
    heard = tuple(int(i) for i in np.flatnonzero(seen.heard))
    if not heard:
        return None
    known = bool(np.isfinite(use).mean() > 0.5) if use.size else False
    cleared = frozenset([OWN_TRAFFIC]) if known else frozenset[str]()
    groups = groups_in(home, elements, heard, watched=watched, cleared=cleared)
    rest_s = float(seen.ticks.max()) * table.step_ns * 1e-9
    return Weighed(seen=seen, heard=heard, groups=groups, odds=odds_of(seen, heard, groups), rest_s=rest_s)


def bar(rest_s: float) -> float:
    """How sure one must be to name a fault after so many usable seconds; above 1: not at all."""
    if rest_s < SOONEST_S - 20:
        return 2.0
    return SURE_SOON if rest_s < SURE_LATER_S - 30 else SURE_LATER


def blamable(home: Home, elements: Sequence[Element], members: Sequence[int]) -> bool:
    """Whether any member of a group can be blamed at all."""
    return any(kind_of(home, elements[j]) not in UNBLAMED for j in members)


def named(home: Home, elements: Sequence[Element], weighed: Weighed) -> list[int]:
    """Groups that may be named, the likeliest first."""
    least = bar(weighed.rest_s)
    p = weighed.odds.probability
    chosen = [
        g
        for g in np.argsort(-p, kind="stable").tolist()
        if p[g] >= least and blamable(home, elements, weighed.groups.members[g])
    ]
    return chosen
