"""Turns an episode of one group into a verdict: cause, figures, what was ruled out, what is missing."""

from collections.abc import Sequence

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from whichhop.compare.inference.baseline import Floats
from whichhop.compare.inference.settings import Settings
from whichhop.compare.suspects.elements import OWN_TRAFFIC, Element, Nature
from whichhop.compare.suspects.vantage import COUNTING, advice_for
from whichhop.compare.verdict.alone import heard_alone
from whichhop.compare.verdict.before import Before, unmet_by_past, with_boxes_begun_anew
from whichhop.compare.verdict.calibration import published
from whichhop.compare.verdict.episodes import Span
from whichhop.compare.verdict.line_place import loss_way, place_of, what_splits
from whichhop.compare.verdict.provider_guards import (
    SLIGHT_S,
    Scene,
    SeenInEpisode,
    may_be_bursts,
    nothing_passes,
    seen_in_scene,
    unmet,
)
from whichhop.compare.windows.own_traffic import is_known
from whichhop.compare.windows.table import WindowTable
from whichhop.model import Cause, RuledOut, Severity, Verdict
from whichhop.model.figure_words import percent
from whichhop.model.links import PROVIDERS
from whichhop.stats.difference import clustered

LINE = (Nature.ACCESS, Nature.OWN_TRAFFIC)
LEAST_OPEN = 0.01
"""The line stands beside what packets cannot tell from it down to this share: who is told that it is the line
would call the provider, and only counters, modem or another vantage point can tell."""
UNKNOWN_OWN_ODDS = 48.0
"""How much likelier own traffic is than its place in the race without counters says: there it is held back to
one bout in 96 hours, so that a short burst of the home's is no verdict; once there is one, the rates of
`priors.PRIORS` count, a bout each 2 hours against a fault of the line each 48."""

BURST_ODDS = 24.0
"""Derived from the same rates, 48 hours by 2, where counters are read and tell a mean only."""


class FoundEpisode(Struct, frozen=True, kw_only=True):
    """An episode of a group in whole-table ticks.

    members: indices of elements, likeliest first. shares: their parts of the group's probability.
    probability: of the group over the episode. lasting: no end is in sight. there: first and end ticks of
    the parts in which it was at fault, in order of time. gain: by how much it explains its ticks better than
    the likeliest that goes without it, a log-ratio.
    """

    members: tuple[int, ...]
    shares: tuple[float, ...]
    span: Span
    probability: float
    lasting: bool
    there: tuple[tuple[int, int], ...] = ()
    gain: float = 0.0
    parted: bool = False
    """Whether it was cut off from the piece before it, as another trouble of the same group."""


class Named(Struct, frozen=True, kw_only=True):
    """What is said of a group: the cause, the elements named, likeliest first, and each one's share of it.

    part: the share of those that have the cause, which is how much of the group's probability is said.
    """

    cause: Cause
    names: tuple[str, ...]
    shares: tuple[float, ...]
    part: float


def named_of(
    elements: Sequence[Element],
    found: FoundEpisode,
    settings: Settings,
    *,
    use_known: bool,
    watched: frozenset[str],
) -> Named:
    """The cause that every plausible member has, else not separable; and the names to give.

    Without counters the home's own traffic is as good an explanation as the access line, and a likelier one
    where the shape fits both: then nobody is named for the two, and the odds are told. Nor is the provider
    alone named where something of the home meets the same packets as its line.
    """
    share = dict(zip(found.members, found.shares, strict=True))
    if not use_known:
        for j in share:
            if elements[j].nature is Nature.OWN_TRAFFIC:
                share[j] *= UNKNOWN_OWN_ODDS
    total = max(sum(share.values()), 1e-300)
    share = {j: s / total for j, s in sorted(share.items(), key=lambda item: -item[1])}
    plausible = [j for j, s in share.items() if s >= settings.plausible_share] or list(share)[:1]
    # The whole group is named, as packets cannot split it; what other evidence rules out is not in it.
    named = [
        j for j in share if j in plausible or not _cleared(elements[j], use_known=use_known, watched=watched)
    ]
    if any(elements[j].nature in LINE for j in plausible):
        plausible += [j for j in named if share[j] >= LEAST_OPEN and j not in plausible]
    causes = {elements[j].cause for j in plausible}
    cause = causes.pop() if len(causes) == 1 else Cause.NOT_SEPARABLE
    said = named if cause is Cause.NOT_SEPARABLE else [j for j in named if elements[j].cause is cause]
    return Named(
        cause=cause,
        names=tuple(elements[j].name for j in named),
        shares=tuple(share[j] for j in named),
        part=sum(share[j] for j in said),
    )


def _cleared(element: Element, *, use_known: bool, watched: frozenset[str]) -> bool:
    """Whether counters or the agent's own readings speak against an implausible member of a group."""
    if element.nature is Nature.OWN_TRAFFIC:
        return use_known
    return element.nature is Nature.HOST and element.name.partition(":")[2] in watched


def verdict_of(
    scene: Scene,
    found: FoundEpisode,
    settings: Settings,
    *,
    at_ns: int,
    end_ns: int,
    detected_ns: int,
    others: NDArray[np.bool_] | None = None,
    before: Before | None = None,
) -> Verdict:
    """The verdict for an episode whose ticks are `scene`; others: see `alone.explained`, left out of its
    figures alone. before: what went before, where that is known."""
    elements, step_s = scene.elements, scene.table.step_ns * 1e-9
    use_known = is_known(scene.use) or nothing_passes(scene, sorted(elements[found.members[0]].column))
    seen = seen_in_scene(scene)
    found = with_bursts(scene, seen, found)
    if before is not None and not found.lasting:
        share = with_boxes_begun_anew(scene, dict(zip(found.members, found.shares, strict=True)), before)
        found = replace(found, members=tuple(share), shares=tuple(share.values()))
    named = named_of(elements, found, settings, use_known=use_known, watched=scene.watched)
    by_name = {e.name: e for e in elements}
    # Whose figures are told and who is guarded: the provider where the group holds it, else the likeliest.
    lead = next((by_name[n] for n in named.names if by_name[n].cause in PROVIDERS), by_name[named.names[0]])
    missing: tuple[str, ...] = ()
    if lead.cause in PROVIDERS:
        rivals = [
            e for e in elements if e.name in named.names and e.cause not in (lead.cause, Cause.OWN_TRAFFIC)
        ]
        missing = unmet(scene, lead, settings, rivals)
        if before is not None:
            missing += unmet_by_past(scene, lead, before)
    # Whose past was too short, or who never was answered, bore out nothing: no figure is theirs.
    told = np.isfinite(scene.loc50) & scene.speaks.any(axis=0)
    columns = [i for i in sorted(lead.column) if told[i]] or sorted(lead.column)
    alone = replace(scene, speaks=heard_alone(scene.speaks, others, columns))
    figures = severity(scene.table, alone.speaks, columns, loc50=scene.loc50, loc80=scene.loc80)
    if figures.lost:
        way = loss_way(alone, lead)
        figures = replace(figures, lost_there=way.there, lost_back=way.back, way=way.ends)
    group, part = found.probability, 1.0
    if settings.calibrated:
        group, part = published(found.probability, named.cause), named.part
    return Verdict(
        cause=named.cause,
        elements=named.names,
        probability=group * part,
        start_ns=at_ns,
        end_ns=None if found.lasting else end_ns,
        severity=figures,
        proven=not missing,
        missing=missing,
        ruled_out=ruled_out(scene, seen, lead, named.names, settings),
        would_change=_would_change(scene, named.names),
        baseline=_medians(scene, columns),
        detected_ns=detected_ns,
        shares=_shares(named, group) if len(named.names) > 1 else None,
        spells=max(1, len(found.there)),
        spells_s=sum(b - a for a, b in found.there) * step_s if len(found.there) > 1 else None,
        place=place_of(scene.home, elements, named.names) if named.cause is Cause.NOT_SEPARABLE else "",
    )


def with_bursts(scene: Scene, seen: SeenInEpisode, found: FoundEpisode) -> FoundEpisode:
    """The episode with the home's own traffic beside the line, where bursts of it may be all that is seen.

    Counters tell its mean alone: then its odds are those of the priors, a bout each 2 hours against a fault
    of the line each 48.
    """
    line = next((j for j in found.members if scene.elements[j].nature is Nature.ACCESS), None)
    own = next((j for j, e in enumerate(scene.elements) if e.nature is Nature.OWN_TRAFFIC), None)
    if line is None or own is None:
        return found
    crossing = sorted(scene.elements[line].column)
    if scene.burdened or not may_be_bursts(scene, crossing, seen, SLIGHT_S):
        return found
    share = dict(zip(found.members, found.shares, strict=True))
    share[own] = max(share.get(own, 0.0), BURST_ODDS * share[line])
    total = sum(share.values())
    order = sorted(share, key=lambda j: -share[j])
    return replace(found, members=tuple(order), shares=tuple(share[j] / total for j in order))


def _shares(named: Named, group: float) -> dict[str, float]:
    return {name: group * share for name, share in zip(named.names, named.shares, strict=True)}


def _silent_agents(scene: Scene, names: tuple[str, ...]) -> list[str]:
    """Agents of which nothing was heard, and whose sessions would have told these elements apart."""
    spoke = set(np.flatnonzero(scene.speaks.any(axis=0)).tolist())
    columns = [e.column for e in scene.elements if e.name in names]
    apart = frozenset[int]().union(*columns) - columns[0].intersection(*columns)
    agents = sorted({s.key.agent for s in scene.sessions})
    mine = {a: [i for i, s in enumerate(scene.sessions) if s.key.agent == a] for a in agents}
    return [a for a in agents if spoke.isdisjoint(mine[a]) and apart.intersection(mine[a])]


def _medians(scene: Scene, columns: Sequence[int]) -> dict[str, float]:
    return {str(scene.sessions[i].key): float(scene.loc50[i]) for i in columns if np.isfinite(scene.loc50[i])}


def _would_change(scene: Scene, names: tuple[str, ...]) -> tuple[str, ...]:
    """The additions that would split the named group, cheapest first; counters where own traffic is in it,
    and a plan that they disagree with."""
    out = []
    if len(names) > 1:
        rest = tuple(n for n in names if n != OWN_TRAFFIC)
        if len(rest) > 1:
            silent = _silent_agents(scene, rest)
            if silent:
                out.append(f"keep the agent on {' or '.join(silent)} running: it was not heard then")
            else:
                out += [a.words for a in advice_for(scene.home, scene.sessions, (rest,))]
                out += what_splits(scene.home, scene.elements, rest)
        if OWN_TRAFFIC in names and is_known(scene.use):
            out.append("look at a time when the home uses its line no more than usual")
        elif OWN_TRAFFIC in names:
            out.append(COUNTING)
    by_name = {e.name: e.nature for e in scene.elements}
    if any(by_name[n] in LINE for n in names):
        out += scene.doubts
    return tuple(out)


def excess(values: Floats, location: Floats, speaks: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Values above their session's location where they speak, flat, without the unknown ones."""
    over = np.where(speaks, values - location, np.nan).astype(np.float64)
    return over[np.isfinite(over)]


def severity(
    table: WindowTable,
    speaks: NDArray[np.bool_],
    columns: list[int],
    *,
    loc50: Floats,
    loc80: Floats,
) -> Severity:
    """The severity over all ticks of `table` for the sessions in `columns`.

    The added 95 % round trip is read from the ticks' 80 % quantiles, above that quantile's own location:
    a tick of ten packets has no finer one.
    """
    heard = speaks[:, columns]
    each_sent = np.where(heard, table.sent[:, columns], 0).sum(axis=1)
    each_lost = np.where(heard, table.lost[:, columns], 0).sum(axis=1)
    sent, lost = int(each_sent.sum()), int(each_lost.sum())
    between = clustered(each_lost.tolist(), each_sent.tolist())
    middle = excess(table.q50_s[:, columns], loc50[columns], heard)
    upper = excess(table.q80_s[:, columns], loc80[columns], heard)
    return Severity(
        sent=sent,
        lost=lost,
        added_p50_s=float(np.median(middle)) if middle.size else None,
        added_p95_s=float(np.quantile(upper, 0.95)) if upper.size else None,
        loss_ratio=lost / sent if sent else None,
        loss_low=between.low if sent else None,
        loss_high=between.high if sent else None,
    )


MOST_NAMED = 8
"""More rows than this help nobody, and the nearest rivals come first. Chosen by reading reports; it bounds
what is printed, not what is concluded."""


def ruled_out(
    scene: Scene, seen: SeenInEpisode, lead: Element, named: Sequence[str], settings: Settings
) -> tuple[RuledOut, ...]:
    """Elements that share sessions with the culprit yet have sessions of their own that stayed clean; own
    traffic where the line was not used enough to be in question."""
    out = []
    rivals = [e for e in scene.elements if e.name not in named and e.column & lead.column]
    rivals.sort(key=lambda e: -len(e.column & lead.column))
    for rival in rivals:
        if rival.nature is Nature.OWN_TRAFFIC:
            continue
        clean = [i for i in sorted(rival.column - lead.column) if not seen.shows[i] and seen.sent[i] > 0]
        unseen = [i for i in sorted(lead.column - rival.column) if seen.shows[i]]
        if clean:
            out.append(_row(scene, rival.name, "sessions that cross it stayed in their quiet range", clean))
        elif unseen:
            out.append(_row(scene, rival.name, "sessions that avoid it show the fault too", unseen))
    use = scene.use[np.isfinite(scene.use)]
    if OWN_TRAFFIC not in named and use.size and any(e.name == OWN_TRAFFIC for e in scene.elements):
        high = float(np.quantile(use, 0.9))
        if high < settings.guard_use:
            most = f"at most {percent(high)}" if high >= 0.01 else "under 1 %"
            why = f"the home used {most} of its line"
            out.insert(0, RuledOut(what=OWN_TRAFFIC, why=why, sessions=()))
    return tuple(out[:MOST_NAMED])


def _row(scene: Scene, what: str, why: str, sessions: Sequence[int]) -> RuledOut:
    return RuledOut(what=what, why=why, sessions=tuple(str(scene.sessions[i].key) for i in sessions))
