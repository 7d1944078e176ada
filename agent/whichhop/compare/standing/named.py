"""Which groups may be named as having a standing fault: by how sure the odds are, after how long."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whichhop.compare.standing.columns import Groups, groups_in
from whichhop.compare.standing.faults import Odds, odds_of
from whichhop.compare.standing.seen import Period, Seen, seen_in
from whichhop.compare.standing.usual import Kind, kind_of
from whichhop.compare.suspects.elements import OWN_TRAFFIC, Element
from whichhop.model import Home

SOONEST_S = 170.0
"""Nothing is blamed before three minutes have passed (less a tick, as the first one is seldom whole): bursts
of the home's own of 20 to 40 s are most of what would be blamed wrongly after one."""
BAR_S = (90.0, 170.0, 560.0)
BAR = (0.985, 0.95, 0.8)
"""How sure one must be after so many usable seconds, linear between; fewer than the first are too few."""
UNBLAMED = (Kind.REPLY, Kind.DOZING_REPLY, Kind.OWN_TRAFFIC, Kind.RESOLVER)
"""What is told and never blamed for being slow from the first packet on: nobody's packets wait for it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighed:
    """A stretch of time, weighed: what was seen, the groups, the odds. heard: sessions in the matrix."""

    seen: Seen
    heard: tuple[int, ...]
    groups: Groups
    odds: Odds
    rest_s: float
    whole_s: float
    """How many seconds of it could be used, and how long it was."""


def weigh(home: Home, elements: Sequence[Element], period: Period) -> Weighed | None:
    """The odds of standing faults in a stretch; None where no session was heard enough."""
    seen, table = seen_in(period), period.table
    heard = tuple(int(i) for i in np.flatnonzero(seen.heard))
    if not heard:
        return None
    cleared = frozenset([OWN_TRAFFIC]) if period.use_known else frozenset[str]()
    groups = groups_in(home, elements, heard, watched=period.watched, cleared=cleared)
    rest_s = float(seen.ticks.max()) * table.step_ns * 1e-9
    return Weighed(
        seen=seen,
        heard=heard,
        groups=groups,
        odds=odds_of(seen, heard, groups),
        rest_s=rest_s,
        whole_s=table.ticks * table.step_ns * 1e-9,
    )


def bar(rest_s: float, whole_s: float) -> float:
    """How sure one must be to name a fault; above 1: not at all. whole_s: since the first packet."""
    if whole_s < SOONEST_S or rest_s < BAR_S[0]:
        return 2.0
    return float(np.interp(rest_s, BAR_S, BAR))


def blamable(home: Home, elements: Sequence[Element], members: Sequence[int]) -> bool:
    """Whether any member of a group can be blamed at all."""
    return any(kind_of(home, elements[j]) not in UNBLAMED for j in members)


def named(home: Home, elements: Sequence[Element], weighed: Weighed) -> list[int]:
    """Groups that may be named, the likeliest first."""
    least = bar(weighed.rest_s, weighed.whole_s)
    p = weighed.odds.probability
    return [
        g
        for g in np.argsort(-p, kind="stable").tolist()
        if p[g] >= least and blamable(home, elements, weighed.groups.members[g])
    ]
