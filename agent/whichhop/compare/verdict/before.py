"""What went before an episode and unmakes a proof: a box of the home that began anew, or a level that was
usual."""

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from whichhop.compare.suspects.elements import Element, Nature
from whichhop.compare.suspects.priors import PRIORS
from whichhop.compare.verdict.provider_guards import SHOWS_S, Scene, seen_in_scene
from whichhop.compare.windows.table import WindowTable
from whichhop.model import PROVIDER_EDGE, Home, Method, Session
from whichhop.model.links import PROVIDERS

BEGINS_ANEW_S = 180.0
"""A modem that was switched on again finds its line within some three minutes, a router its session sooner
(common practice): what is lost meanwhile is nobody's fault past the home."""
PAST_S = 3600.0
"""So far back a level counts as one that the home had before: as long as its best level needs to be known
(`past.AN_HOUR_S`). No other source, and not swept."""
MOSTLY = 0.5
"""A level that was held for more than half of that is the usual one, and what was better the exception."""
LEAST_PAST_TICKS = 30
"""Derived: five minutes, as long as makes a level (`past.HELD_S`)."""
CHANCE = 0.05
"""How often a box that is well answers nobody just as its line fails; common practice, as in `late_hosts`."""
LEAST_ASKED = 3
"""Fewer packets to a box may all be lost by chance. No source, and not swept: it only withholds a proof."""
MOST_LOST = 0.02
"""What also loses is more than a level; the same share as shows loss in `provider_guards.SLIGHT_LOSS`. Not
swept."""


class Before(Struct, frozen=True, kw_only=True):
    """The hour before an episode and the episode itself: ticks of the whole table, and those that speak.

    ticks: how many of them are before it. speaks: (ticks, sessions), without what an earlier episode of the
    same element touched.
    """

    table: WindowTable
    speaks: NDArray[np.bool_]
    ticks: int


def before_of(
    table: WindowTable, speaks: NDArray[np.bool_], first: int, end: int, told: Iterable[tuple[int, int]]
) -> Before:
    """What went before the ticks `first` to `end`; told: first and end ticks of earlier episodes."""
    begin = max(0, first - round(PAST_S / (table.step_ns * 1e-9)))
    some = speaks[begin:end].copy()
    for one, other in told:
        some[max(0, one - begin) : max(0, other - begin)] = False
    return Before(table=table.span(begin, end), speaks=some, ticks=first - begin)


def unmet_by_past(scene: Scene, suspect: Element, before: Before) -> tuple[str, ...]:
    """What is missing for accusing `suspect` because of what went before."""
    return (*_begun_anew(scene, suspect, before), *_as_before(scene, suspect, before))


def down(home: Home, sessions: Sequence[Session], table: WindowTable, box: str) -> NDArray[np.bool_]:
    """The ticks in which a box answered nobody who asked, or was silent itself where nobody did."""
    to = [i for i, s in enumerate(sessions) if s.key.target == box and s.key.method is not Method.LOOKUP]
    by = [i for i, s in enumerate(sessions) if s.key.agent == box]
    sent, lost = (part[:, to].sum(axis=1, dtype=np.int64) for part in (table.sent, table.lost))
    out = (sent >= LEAST_ASKED) & (lost == sent)
    if by and home.nodes[box].agent:
        mine = table.sent[:, by].any(axis=1)
        others = np.delete(table.sent, by, axis=1).any(axis=1)
        known = np.logical_or.accumulate(mine)
        out |= known & ~mine & others & (sent == lost)
    return np.asarray(out)


def with_boxes_begun_anew(scene: Scene, shares: Mapping[int, float], before: Before) -> dict[int, float]:
    """The shares in an episode that is over, the likeliest first; of one of the provider's also those of each
    box of the home that was down as it began and, when it ended, was back no longer than it takes to begin
    anew: a line that comes back late with its box failed nobody. Until then it lets nothing through.

    A box's share against the line's is how seldom each fails, and by how little chance both do so at once.
    """
    lead = scene.elements[next(iter(shares))]
    if lead.cause not in PROVIDERS or _lets_through(lead, before):
        return dict(shares)
    takes = round(BEGINS_ANEW_S / (scene.table.step_ns * 1e-9))
    first = max(0, before.ticks - takes)
    places = {e.name: j for j, e in enumerate(scene.elements)}
    more = []
    for box in _boxes_out(scene, lead):
        gone = first + np.flatnonzero(down(scene.home, scene.sessions, before.table, box)[first:])
        began = gone.size and gone[0] <= before.ticks and before.table.ticks - 1 - gone[-1] <= takes
        if began and f"node:{box}" in places:
            more.append(places[f"node:{box}"])
    odds = PRIORS[lead.nature].mean_hours / PRIORS[Nature.NODE].mean_hours / CHANCE / max(1, len(more))
    share = dict(shares) | {j: shares.get(j, 0.0) + odds * next(iter(shares.values())) for j in more}
    total = sum(share.values())
    return {j: share[j] / total for j in sorted(share, key=lambda j: -share[j])}


def _lets_through(suspect: Element, before: Before) -> bool:
    """Whether anything over a suspect was answered in its episode, the first and the last tick aside."""
    meanwhile = before.table.span(before.ticks + 1, before.table.ticks - 1)
    return bool(meanwhile.answered_at_all()[sorted(suspect.column)].any())


def _boxes_out(scene: Scene, suspect: Element) -> dict[str, None]:
    """The boxes of the home that the sessions of a suspect pass on their way out."""
    agents = dict.fromkeys(scene.sessions[i].key.agent for i in sorted(suspect.column))
    boxes: dict[str, None] = {}
    for agent in agents:
        for node in (agent, *scene.home.way_out(agent)):
            if node == PROVIDER_EDGE:
                break
            # Who only asks passes nothing on: that it sleeps says nothing of a line.
            if node != agent or any(node in s.path.nodes[1:-1] for s in scene.sessions):
                boxes[node] = None
    return boxes


def _begun_anew(scene: Scene, suspect: Element, before: Before) -> list[str]:
    step_s = scene.table.step_ns * 1e-9
    begin = max(0, before.ticks - round(BEGINS_ANEW_S / step_s))
    return [
        f"a time when {box} had not just been down itself"
        for box in _boxes_out(scene, suspect)
        if down(scene.home, scene.sessions, before.table, box)[begin:].any()
    ]


def _as_before(scene: Scene, suspect: Element, before: Before) -> list[str]:
    """A delay that goes back to what it had been for longer than it was better is no fault that is proven."""
    seen = seen_in_scene(scene)
    showing = [i for i in sorted(suspect.column) if seen.shows[i]]
    sent, lost = int(seen.sent[showing].sum()), int(seen.lost[showing].sum())
    if not showing or lost > MOST_LOST * sent:
        return []
    past = slice(0, before.ticks)
    shares = []
    for i in showing:
        level = float(scene.loc50[i]) + float(seen.excess[i])
        heard = before.speaks[past, i] & np.isfinite(before.table.q50_s[past, i])
        if np.isfinite(level) and np.count_nonzero(heard) >= LEAST_PAST_TICKS:
            near_s = max(SHOWS_S, float(scene.scale50[i]))
            shares.append(float((before.table.q50_s[past, i][heard] >= level - near_s).mean()))
    if not shares or float(np.median(shares)) <= MOSTLY:
        return []
    return ["a delay that was not there before: for most of the hour before it was as long"]
