"""What must all hold before the provider may be accused; each unmet guard is named in plain words."""

from collections.abc import Mapping, Sequence
from itertools import permutations

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from whichhop.compare.inference.settings import Settings
from whichhop.compare.suspects.elements import HOME_SIDE, Element, Nature
from whichhop.compare.windows.around import runs_of
from whichhop.compare.windows.own_traffic import is_known
from whichhop.compare.windows.table import WindowTable
from whichhop.compare.words import element_words
from whichhop.model import PROVIDER_EDGE, Home, LinkKind, Medium, NodeKind, Session
from whichhop.model.figure_words import percent
from whichhop.stats.proportion import wilson

SHOWS_S = 0.003
"""A session shows an excess when its median is up by this much and by its own scale, or it loses."""

SLIGHT_S, SLIGHT_LOSS = 0.015, 0.02
LEAST_USE = 0.04
"""A median of a few ms and a long tail is what measured lines in use have (99th percentile of three medians)
at a mean use under a tenth: what is so slight proves nothing while the home is busier than usual. On
development seeds of other-single on measured noise the provider was proven falsely 3 times without it."""
PROOF_S = 0.030
"""Nor does up to this prove it: a burst leaves 13 % of a queue standing (fitted to those lines), and of such
exponential waits in a queue of a third of a second, a deep one by common practice, the median is 30 ms."""
APART, APART_SIGMAS = 0.5, 4.0
"""Targets fail one by one where in a tick one loses so much more, and by so many standard errors of two
pooled proportions (Fleiss, Levin and Paik 2003, 3.1). Two out within a minute proved the provider falsely."""
OUTAGE_S, OUTAGE_PACKETS = 60.0, 120
"""So long, and of so many packets, not one answered is no queue of the home's own, counted or not: a full one
still passes on what the line carries, and who fills it falls back to one segment at a time once nothing is
acknowledged (RFC 5681 section 3.1, RFC 6298 section 5)."""
LAST_BOXES = (NodeKind.ROUTER, NodeKind.GATEWAY, NodeKind.MODEM)
LEAST_TICKS, HEARD_WELL = 2, 0.2
"""A session is heard well from two ticks and a fifth of an episode on: fewer may have missed it."""


class Scene(Struct, frozen=True, kw_only=True):
    """The episode's ticks, cut out: arrays are (ticks, sessions) or (sessions,)."""

    home: Home
    sessions: tuple[Session, ...]
    elements: tuple[Element, ...]
    table: WindowTable
    speaks: NDArray[np.bool_]
    loc50: NDArray[np.float32]
    scale50: NDArray[np.float32]
    loc80: NDArray[np.float32]
    base_loss: NDArray[np.float64]
    watched: frozenset[str]
    """Agents whose own readings are there."""
    use: NDArray[np.float64]
    """Per tick, the most of its line that the home may have used itself; NaN where not known."""
    usual_use: float = float("nan")
    """The median of the same over all that was measured; NaN where not known."""
    burdened: bool = False
    """Whether more packets were late than the home's use of its line explains."""
    doubts: tuple[str, ...] = ()
    """What to tell of a plan that the counters disagree with."""


class SeenInEpisode(Struct, frozen=True, kw_only=True):
    """Per session over the episode: median excess in seconds (NaN unknown), packets sent and lost."""

    excess: NDArray[np.float64]
    sent: NDArray[np.int64]
    lost: NDArray[np.int64]
    ticks: NDArray[np.int64]
    shows: NDArray[np.bool_]


def seen_in_scene(scene: Scene) -> SeenInEpisode:
    """Sum up what each session saw in the scene."""
    over = np.where(scene.speaks, scene.table.q50_s - scene.loc50, np.nan)
    there = np.isfinite(over).any(axis=0)
    middle = np.full(over.shape[1], np.nan)
    if there.any():
        middle[there] = np.nanmedian(over[:, there], axis=0)
    sent = np.where(scene.speaks, scene.table.sent, 0).sum(axis=0, dtype=np.int64)
    lost = np.where(scene.speaks, scene.table.lost, 0).sum(axis=0, dtype=np.int64)
    expected = sent * scene.base_loss
    slow = np.nan_to_num(middle) > np.maximum(SHOWS_S, scene.scale50)
    lossy = lost > expected + 2.0 * np.sqrt(expected + 1.0)
    return SeenInEpisode(
        excess=middle,
        sent=sent,
        lost=lost,
        ticks=np.isfinite(over).sum(axis=0),
        shows=slow | lossy,
    )


def _home_links(session: Session) -> frozenset[str]:
    return frozenset(
        link.name for link in session.path.links if link.kind not in (LinkKind.ACCESS, LinkKind.BEYOND)
    )


def _by_radio(session: Session) -> bool:
    return any(
        link.kind is LinkKind.WIRELESS
        or (link.kind is LinkKind.BACKHAUL and link.medium is not Medium.ETHERNET)
        for link in session.path.links
    )


def _inner(scene: Scene, agent: str) -> list[int]:
    """The agent's sessions that end at the last own-addressed box before the line."""
    found = [
        i
        for i, s in enumerate(scene.sessions)
        if s.key.agent == agent
        and not any(link.kind in (LinkKind.ACCESS, LinkKind.BEYOND) for link in s.path.links)
        and s.key.target in set(scene.home.way_out(agent))
    ]
    if not found:
        return []
    deepest = max(len(scene.sessions[i].path.links) for i in found)
    return [i for i in found if len(scene.sessions[i].path.links) == deepest]


def unmet(
    scene: Scene, suspect: Element, settings: Settings, rivals: Sequence[Element] = ()
) -> tuple[str, ...]:
    """The guards that do not hold for accusing `suspect` (the access link or what is past it).

    rivals: elements of other owners that packets cannot tell from the suspect.
    """
    seen = seen_in_scene(scene)
    crossing = sorted(suspect.column)
    showing = [i for i in crossing if seen.shows[i]]
    troubles = _troubles(scene, seen, showing, settings)
    # Who has trouble of its own inside the home is no witness of what lies outside.
    clear = [i for i in showing if troubles[scene.sessions[i].key.agent] is None]
    # Whoever meets all that shows it and nothing that is clean may be it, however rare.
    others = {e.name: e for e in (*rivals, *_alive(scene, seen, suspect, showing))}
    missing = [
        *_enough(scene, seen, crossing, settings),
        *_vantage(scene, clear or showing),
        *_home_side(troubles),
        *_own_use(scene, crossing, settings),
        *_slight(scene, seen, crossing),
        *_targets(scene, seen, suspect),
        *_one_by_one(scene, seen, suspect),
        *(
            f"a measurement that tells {element_words(suspect.name)} from {element_words(rival.name)}"
            for rival in others.values()
        ),
    ]
    return tuple(missing)


def _alive(scene: Scene, seen: SeenInEpisode, suspect: Element, showing: Sequence[int]) -> list[Element]:
    """The elements of the home that the affected sessions cannot tell from the suspect.

    Such an element meets every session that shows the excess, and no session that was heard well and is
    clean speaks for it. Not even a small prior clears it.
    """
    least = max(LEAST_TICKS, int(HEARD_WELL * scene.table.ticks))
    return [
        e
        for e in scene.elements
        if e.nature in HOME_SIDE
        and e.column.issuperset(showing)
        and not any(seen.ticks[i] >= least and not seen.shows[i] for i in e.column - suspect.column)
    ]


def _enough(scene: Scene, seen: SeenInEpisode, crossing: list[int], settings: Settings) -> list[str]:
    lost = int(seen.lost[crossing].sum())
    step_s = scene.table.step_ns * 1e-9
    over = scene.table.q50_s[:, crossing] - scene.loc50[crossing] > np.maximum(
        SHOWS_S, scene.scale50[crossing]
    )
    slow_s = float((over & scene.speaks[:, crossing]).any(axis=1).sum()) * step_s
    if lost >= settings.guard_lost or slow_s >= settings.guard_excess_s:
        return []
    return [
        f"more of it: {lost} packets lost (at least {settings.guard_lost}) "
        f"and {slow_s:.0f} s of added delay (at least {settings.guard_excess_s:.0f} s) so far"
    ]


def _vantage(scene: Scene, showing: list[int]) -> list[str]:
    if any(not _by_radio(scene.sessions[i]) for i in showing):
        return []
    sides = {_home_links(scene.sessions[i]) - _shared(scene) for i in showing}
    if any(not (a & b) for a in sides for b in sides if a is not b):
        return []
    return ["a wired vantage point, or a second one by other links, that sees it too"]


def _shared(scene: Scene) -> frozenset[str]:
    """Home links that every way out has in common (router to modem): no vantage point avoids them."""
    outward = [
        _home_links(s) for s in scene.sessions if any(link.kind is LinkKind.ACCESS for link in s.path.links)
    ]
    common: frozenset[str] = outward[0].intersection(*outward[1:]) if outward else frozenset()
    return frozenset(
        link.name for link in scene.home.links if link.name in common and link.kind is LinkKind.WIRED
    )


def _troubles(
    scene: Scene, seen: SeenInEpisode, showing: list[int], settings: Settings
) -> dict[str, str | None]:
    """What each showing agent has inside the home at the same time; None for a clean way to its edge."""
    out: dict[str, str | None] = {}
    for agent in dict.fromkeys(scene.sessions[i].key.agent for i in showing):
        outer = [i for i in showing if scene.sessions[i].key.agent == agent]
        inner = _inner(scene, agent)
        at_edge = not inner and _at_edge(scene.home, agent)
        out[agent] = None if at_edge else _inner_trouble(seen, inner, outer, settings)
    return out


def _at_edge(home: Home, agent: str) -> bool:
    """Whether the agent is itself the home's last box before its line or modem: nothing of the home lies on
    its way that could be slow, but itself and their wire, which are held against the line as rivals."""
    way = [home.nodes[node].kind for node in home.way_out(agent)]
    return home.nodes[agent].kind in LAST_BOXES and set(way) <= {NodeKind.MODEM, NodeKind.PROVIDER_EDGE}


def _home_side(troubles: Mapping[str, str | None]) -> list[str]:
    """At least one showing agent has a clean way to the edge of the home, and that one is enough.

    An agent whose own radio hop is bad at the same time cannot clear the home's side; another may.
    """
    if not troubles:
        return ["any session over the line that shows it by itself"]
    why = [f"{agent}: {trouble}" for agent, trouble in troubles.items() if trouble is not None]
    if len(why) < len(troubles):
        return []
    return ["a clean way to the edge of the home at the same time (" + "; ".join(why) + ")"]


def _inner_trouble(seen: SeenInEpisode, inner: list[int], outer: list[int], settings: Settings) -> str | None:
    if not inner or not seen.sent[inner].sum():
        return "nothing inside the home was probed"
    outside = float(np.nan_to_num(np.nanmax(np.append(seen.excess[outer], -1.0)), nan=-1.0))
    inside = float(np.nan_to_num(np.nanmax(np.append(seen.excess[inner], -1.0)), nan=-1.0))
    out_ratio = float(seen.lost[outer].sum() / max(1, seen.sent[outer].sum()))
    in_high = wilson(int(seen.lost[inner].sum()), int(seen.sent[inner].sum())).high
    lossy = out_ratio > 0.02
    slow = outside > SHOWS_S
    if slow and inside > max(settings.guard_share * outside, 0.001):
        return f"{inside * 1e3:.0f} ms of {outside * 1e3:.0f} ms are added inside the home"
    if lossy and not slow and in_high > out_ratio / 4:
        return f"loss inside the home may be up to {percent(in_high)}, against {percent(out_ratio)} outside"
    return None


def nothing_passes(scene: Scene, crossing: Sequence[int]) -> bool:
    """Whether for a minute on end nothing that crosses there was answered."""
    speaks = scene.speaks[:, crossing]
    sent, lost = (
        np.where(speaks, a[:, crossing], 0).sum(axis=1) for a in (scene.table.sent, scene.table.lost)
    )
    step_s = scene.table.step_ns * 1e-9
    return any(
        (end - first) * step_s >= OUTAGE_S and sent[first:end].sum() >= OUTAGE_PACKETS
        for first, end in runs_of((sent > 0) & (lost == sent))
    )


def _own_use(scene: Scene, crossing: Sequence[int], settings: Settings) -> list[str]:
    if not is_known(scene.use):
        return [] if nothing_passes(scene, crossing) else ["own traffic is not known"]
    high = float(np.nanquantile(scene.use, 0.9))
    if high >= settings.guard_use:
        return [
            "a time when the home itself used less of its line"
            f" (it may have used {percent(min(high, 1.0))} of it)"
        ]
    return []


def may_be_bursts(scene: Scene, crossing: Sequence[int], seen: SeenInEpisode, most_s: float) -> bool:
    """Whether the home is busier than usual, and what is added loses little and no more than `most_s`.

    Bursts of its own within an interval of its counters then delay a few packets at a low mean use.
    """
    use = float(np.nanmedian(scene.use)) if is_known(scene.use) else 0.0
    if not use > max(LEAST_USE, scene.usual_use):
        return False
    # What the line adds all agents meet: the one that fares best tells how little that may be.
    agents: dict[str, list[int]] = {}
    for i in crossing:
        if seen.sent[i]:
            agents.setdefault(scene.sessions[i].key.agent, []).append(i)
    lost = min((float(seen.lost[i].sum() / seen.sent[i].sum()) for i in agents.values()), default=0.0)
    slow = min((float(np.median(np.nan_to_num(seen.excess[i]))) for i in agents.values()), default=0.0)
    return lost < SLIGHT_LOSS and slow < most_s


def _slight(scene: Scene, seen: SeenInEpisode, crossing: list[int]) -> list[str]:
    if not may_be_bursts(scene, crossing, seen, PROOF_S):
        return []
    return [
        "a time when the home used its line no more than usual"
        f" ({percent(scene.usual_use)}; it was {percent(float(np.nanmedian(scene.use)))}):"
        " so slight a delay may be bursts of its own"
    ]


def _targets(scene: Scene, seen: SeenInEpisode, suspect: Element) -> list[str]:
    past = [
        i
        for i in sorted(suspect.column)
        if scene.sessions[i].key.target == PROVIDER_EDGE or scene.sessions[i].key.target in scene.home.peers
    ]
    agree = {scene.sessions[i].key.target for i in past if seen.shows[i]}
    if len(agree) >= 2:
        return []
    where = "past the provider's first hop" if suspect.nature is Nature.BEYOND else "past the line"
    return [f"a second target {where} that shows it too"]


def _one_by_one(scene: Scene, seen: SeenInEpisode, suspect: Element) -> list[str]:
    """What is missing where two targets fail one by one: in some tick one loses and the other does not."""
    if suspect.nature is not Nature.BEYOND:
        return []
    by_target: dict[str, list[int]] = {}
    for i in sorted(suspect.column):
        if scene.sessions[i].key.target in scene.home.peers and seen.shows[i]:
            by_target.setdefault(scene.sessions[i].key.target, []).append(i)
    counts = {
        target: tuple(
            np.where(scene.speaks[:, which], part[:, which], 0).sum(axis=1, dtype=np.int64)
            for part in (scene.table.lost, scene.table.sent)
        )
        for target, which in by_target.items()
    }
    for one, other in permutations(sorted(counts), 2):
        (lost, sent), (well, asked) = counts[one], counts[other]
        both = np.maximum(sent + asked, 1)
        share = (lost + well) / both
        apart = lost / np.maximum(sent, 1) - well / np.maximum(asked, 1)
        error = np.sqrt(share * (1.0 - share) * (1.0 / np.maximum(sent, 1) + 1.0 / np.maximum(asked, 1)))
        if ((sent > 0) & (asked > 0) & (apart > APART) & (apart > APART_SIGMAS * error)).any():
            return [f"trouble that begins and ends for {one} and {other} at once: two targets' own would not"]
    return []
