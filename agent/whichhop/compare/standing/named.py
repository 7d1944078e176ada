"""What may be told of a weighed period: which groups have a standing fault, and the level of every link."""

from collections.abc import Sequence

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from whichhop.compare.standing.columns import DISTANT, ON_RADIO, Groups, groups_in
from whichhop.compare.standing.faults import MOST_FAULTS, Odds, odds_of
from whichhop.compare.standing.seen import Period, SeenAtRest, seen_in
from whichhop.compare.standing.usual import HARM_LOG_SD, USUAL, ElementKind, Feature, kind_of
from whichhop.compare.suspects.elements import OWN_TRAFFIC, Element, Nature
from whichhop.model import Home, Level
from whichhop.model.finding import LEVELS_KNOWN_S
from whichhop.model.links import PROVIDERS

BAR_S = (90.0, LEVELS_KNOWN_S, 560.0)
BAR = (0.985, 0.95, 0.8)
"""How sure one must be after so many usable seconds, linear between; fewer than the first are too few."""
SOON_BAR = 0.99
"""Before levels are known: what is plain by then. Of 67 fresh healthy homes, 30 of them on measured noise,
none had a group above 0.5 after 100 s, but for weak radios and stalls; of 37 faults 32 were named, none
wrongly."""
LIKELIEST = 0.7
"""Where one must be as sure that there is a fault at all, this is enough for whose it is: a hop and the air
around its box are hard to tell apart in minutes, and the number that is printed is the hop's own."""
SCAN_S = 290.0
SURE_OF_STALLS = 0.995
"""Stalls alone, on radio, in the first five minutes: a good radio that looks for others has a spike of 150 to
400 ms every 8 to 15 s for minutes, two radios may do so at once, and then it stops. Before levels are known
no stall is told."""
OWN_WAY = 0.5
"""So likely a target answers in a way of its own when what it answers is no longer heard."""
SURE_OF_TWO = 0.95
"""So likely there are two faults when a third is looked for, the bar of three minutes, see BAR; whose each is
may still be open between a hop and the machine at its end, who meet the same packets, see LIKELIEST."""
MOST_OWN_WAYS = 4
"""So often more of them are looked for; it bounds the cost."""
DOZES_TAIL_S = 0.005
"""A beacon comes each 102.4 ms (IEEE 802.11, 100 TU): where it delays answers at all, their excess over the
level is tens of milliseconds at the mean, and what is steadier than this waits for none."""
DOZES_TIMES = 3.0
"""Who sleeps has sessions late by tens of milliseconds beside one that is not late at all; what slows all of
a device's sessions alike is its hop."""
UNBLAMED = (ElementKind.REPLY, ElementKind.DOZING_REPLY, ElementKind.OWN_TRAFFIC, ElementKind.RESOLVER)
"""What is told and never blamed for being slow from the first packet on: nobody's packets wait for it."""


class Weighed(Struct, frozen=True, kw_only=True):
    """A stretch of time, weighed: what was seen, the groups, the odds. heard: sessions in the matrix."""

    seen: SeenAtRest
    heard: tuple[int, ...]
    groups: Groups
    odds: Odds
    rest_s: float
    whole_s: float
    """How many seconds of it could be used, and how long it was."""

    def size_of(self, group: int, hypothesis: int, feature: Feature) -> float:
        """What a group's fault adds by an explanation: seconds; -log(1 - share) of loss and late answers."""
        place = self.odds.hypotheses[hypothesis].index(group)
        return float(np.exp(self.odds.fits[feature].log_value[hypothesis, len(self.groups.members) + place]))

    def whole_of(self, group: int, hypothesis: int, feature: Feature) -> float:
        """The same with what the group has without its fault."""
        usual = float(np.exp(self.odds.fits[feature].log_value[hypothesis, group]))
        return usual + self.size_of(group, hypothesis, feature)


def weigh(home: Home, elements: Sequence[Element], period: Period) -> Weighed | None:
    """The odds of standing faults in a stretch; None where no session was heard enough."""
    seen, table = seen_in(period), period.table
    heard: tuple[int, ...] = tuple(np.flatnonzero(seen.heard).tolist())
    if not heard:
        return None
    cleared = frozenset([OWN_TRAFFIC]) if period.use_known else frozenset[str]()
    awake = frozenset(e.name for e in elements if _awake(home, elements, e, seen, heard))
    groups = groups_in(home, elements, heard, watched=period.watched, cleared=cleared, awake=awake)
    rest_s = float(seen.spoken.max()) * table.step_ns * 1e-9
    odds = odds_of(seen, heard, groups)
    for _ in range(MOST_OWN_WAYS):
        own = _own_ways(home, elements, heard, groups, odds)
        if not own:
            break
        seen = seen.without(own)
        odds = odds_of(seen, heard, groups)
    return Weighed(
        seen=seen,
        heard=heard,
        groups=groups,
        odds=odds,
        rest_s=rest_s,
        whole_s=table.ticks * table.step_ns * 1e-9,
    )


def without_two(weighed: Weighed) -> Weighed | None:
    """Ten minutes as those see them who meet neither of two faults that are there; None unless there are.

    Only two faults are weighed at a time: a third, as a line that loses beside two bad radios, is told by the
    others. Nobody is heard there whose own hop is bad, so that this finds less, and nothing that they deny.
    """
    odds, best = weighed.odds, weighed.odds.hypotheses[weighed.odds.best]
    two = sum(w for h, w in zip(odds.hypotheses, odds.weights.tolist(), strict=True) if len(h) == MOST_FAULTS)
    if weighed.rest_s < BAR_S[-1] or len(best) < MOST_FAULTS:
        return None
    if two < SURE_OF_TWO or (odds.probability[list(best)] < LIKELIEST).any():
        return None
    met = np.flatnonzero(weighed.groups.matrix[:, list(best)].any(axis=1))
    if met.size == len(weighed.heard):
        return None
    seen = weighed.seen.without([weighed.heard[r] for r in met])
    return replace(weighed, seen=seen, odds=odds_of(seen, weighed.heard, weighed.groups))


def thirds(home: Home, elements: Sequence[Element], weighed: Weighed) -> list[int]:
    """Groups that may be named as a third fault, of what `without_two` left: those that lose or are slow all
    the time. Stalls come and go on healthy links too, and among so few who hear them stand out."""
    always = {Feature.LEVEL, Feature.LOSS}
    return [g for g in named(home, elements, weighed) if always.intersection(likeliest(weighed.odds, g)[1])]


def _own_ways(
    home: Home, elements: Sequence[Element], heard: Sequence[int], groups: Groups, odds: Odds
) -> list[int]:
    """Sessions of targets that answer in a way of their own, where such take the place of a fault.

    Only two faults are weighed at a time, and a box that answers late has none.
    """
    if len(odds.hypotheses[odds.best]) < MOST_FAULTS:
        return []
    own = [
        g
        for g in odds.hypotheses[odds.best]
        if odds.probability[g] >= OWN_WAY and not blamable(home, elements, groups.members[g])
    ]
    return [heard[r] for r in np.flatnonzero(groups.matrix[:, own].any(axis=1)).tolist()]


def _awake(
    home: Home, elements: Sequence[Element], element: Element, seen: SeenAtRest, heard: Sequence[int]
) -> bool:
    """Whether a box that a dozing radio might hear late is heard no later than who wakes it: beacons are
    waited for unevenly, and not by the session whose packet ends the sleep."""
    own = element.column.intersection(heard)
    if kind_of(home, element) is not ElementKind.DOZING_REPLY or not own:
        return False
    # All sessions of those who ask the box.
    mates = [e.column for e in elements if e.nature is Nature.HOST and e.column & element.column]
    beside = own.union(*mates).intersection(heard)
    least = float(np.min(seen.tail_s[list(beside)]))
    return bool((seen.tail_s[list(own)] < max(DOZES_TAIL_S, DOZES_TIMES * least)).all())


def bar(rest_s: float, whole_s: float) -> float:
    """How sure one must be to name a fault; above 1: not at all. whole_s: since the first packet."""
    if rest_s < BAR_S[0]:
        return 2.0
    return SOON_BAR if whole_s < LEVELS_KNOWN_S else float(np.interp(rest_s, BAR_S, BAR))


def blamable(home: Home, elements: Sequence[Element], members: Sequence[int]) -> bool:
    """Whether any member of a group can be blamed at all."""
    return any(kind_of(home, elements[j]) not in UNBLAMED for j in members)


def likeliest(odds: Odds, group: int) -> tuple[int, tuple[Feature, ...]]:
    """Of the explanations in which a group has a fault the likeliest, and what the fault then adds."""
    having = [h for h, chosen in enumerate(odds.hypotheses) if group in chosen]
    best = max(having, key=lambda h: float(odds.weights[h]))
    return best, odds.shapes[best][odds.hypotheses[best].index(group)]


def named(home: Home, elements: Sequence[Element], weighed: Weighed) -> list[int]:
    """Groups that may be named, the likeliest first."""
    least = bar(weighed.rest_s, weighed.whole_s)
    p = weighed.odds.probability
    out = []
    for g in np.argsort(-p, kind="stable").tolist():
        members = weighed.groups.members[g]
        if not blamable(home, elements, members):
            continue
        if p[g] < least and (p[g] < LIKELIEST or _here_or_beside(home, elements, weighed, g) < least):
            continue
        best, features = likeliest(weighed.odds, g)
        harmful = np.exp(weighed.groups.budgets[Feature.LEVEL].harm[g] + HARM_LOG_SD)
        if features == (Feature.LEVEL,) and weighed.whole_of(g, best, Feature.LEVEL) < harmful:
            continue  # seldom seen in health, which the level tells; nothing says that it does harm
        only_late = not {Feature.LEVEL, Feature.LOSS}.intersection(features)
        radio = any(kind_of(home, elements[j]) in ON_RADIO for j in members)
        scans = weighed.rest_s < SCAN_S and p[g] < SURE_OF_STALLS
        if only_late and radio and (scans or weighed.whole_s < LEVELS_KNOWN_S):
            continue
        if Feature.LOSS not in features and _may_doze(home, elements, weighed, g):
            continue
        out.append(g)
    return out


def _here_or_beside(home: Home, elements: Sequence[Element], weighed: Weighed, group: int) -> float:
    """How likely it is that somebody has the fault that a group is likeliest to have: this group, or in its
    place another that could be blamed. What else is wrong stays as it is in the likeliest explanation.

    0 where it may be the provider's, who is not named on another's odds.
    """
    members = weighed.groups.members
    if any(elements[j].cause in PROVIDERS for j in members[group]):
        return 0.0
    odds = weighed.odds
    best, _ = likeliest(odds, group)
    rest = frozenset(odds.hypotheses[best]) - {group}
    return sum(
        float(weight)
        for chosen, weight in zip(odds.hypotheses, odds.weights, strict=True)
        if group in chosen
        or (rest < set(chosen) and any(blamable(home, elements, members[g]) for g in rest ^ set(chosen)))
    )


def _may_doze(home: Home, elements: Sequence[Element], weighed: Weighed, group: int) -> bool:
    """Whether a distant group is late only as one device on radio sees it, and not in all that this one asks.

    Such a device dozes between packets: which of its sessions find it awake is a matter of their phases.
    """
    members = weighed.groups.members[group]
    if not all(kind_of(home, elements[j]) in DISTANT for j in members):
        return False
    column = elements[members[0]].column
    return any(
        column < e.column
        and kind_of(home, e) is ElementKind.WIFI
        and any(column < h.column for h in elements if h.nature is Nature.HOST)
        for e in elements
    )


Z95 = 1.959963984540054


def levels_of(home: Home, elements: Sequence[Element], weighed: Weighed) -> tuple[Level, ...]:
    """A level for each link that was crossed, or the group it cannot be told from, in the home's order."""
    fits = weighed.odds.fits[Feature.LEVEL]
    best, groups = weighed.odds.best, weighed.groups
    names = {link.name: place for place, link in enumerate(home.links)}
    out = []
    for g, members in enumerate(groups.members):
        links = [j for j in members if elements[j].name in names]
        if not links:
            continue
        value, error = float(fits.log_value[best, g]), float(fits.log_error[best, g])
        # A fault that the likeliest explanation puts here is a part of what every packet pays.
        chosen = weighed.odds.hypotheses[best]
        added = 0.0
        if g in chosen and Feature.LEVEL in weighed.odds.shapes[best][chosen.index(g)]:
            added = float(np.exp(fits.log_value[best, len(groups.members) + chosen.index(g)]))
        ranked = sorted(members, key=lambda j: -USUAL[kind_of(home, elements[j])].level.median)
        budget = groups.budgets[Feature.LEVEL]
        far = kind_of(home, elements[ranked[0]]) in DISTANT
        rows = np.flatnonzero(groups.matrix[:, g])
        trips = [float(weighed.seen.level_s[weighed.heard[r]]) for r in rows]
        out.append(
            Level(
                elements=tuple(elements[j].name for j in ranked),
                level_s=float(np.exp(value)) + added,
                low_s=float(np.exp(value - Z95 * error)) + added,
                high_s=float(np.exp(value + Z95 * error)) + added,
                round_trip_s=max((t for t in trips if np.isfinite(t)), default=0.0),
                usual_low_s=None if far else float(np.exp(budget.mean[g] - Z95 * budget.sd_below[g])),
                usual_high_s=None if far else float(np.exp(budget.mean[g] + Z95 * budget.sd_above[g])),
            )
        )
    return tuple(sorted(out, key=lambda v: min(names[n] for n in v.elements if n in names)))
