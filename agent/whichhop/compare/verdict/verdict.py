"""Turns an episode of one group into a verdict: cause, figures, what was ruled out, what is missing."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whichhop.compare.inference.settings import Settings
from whichhop.compare.suspects.elements import OWN_TRAFFIC, Element, Nature
from whichhop.compare.suspects.vantage import advice_for
from whichhop.compare.verdict.calibration import published
from whichhop.compare.verdict.episodes import Span
from whichhop.compare.verdict.provider_guards import Scene, look, unmet
from whichhop.compare.verdict.ruled_out import ruled_out
from whichhop.compare.verdict.severity import severity
from whichhop.compare.windows.own_traffic import is_known
from whichhop.model import Cause, Verdict

PROVIDERS = (Cause.UPSTREAM_LINK, Cause.BEYOND)


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """An episode of a group in whole-table ticks.

    members: indices of elements, likeliest first. shares: their parts of the group's probability.
    probability: of the group over the episode. lasting: no end is in sight.
    """

    members: tuple[int, ...]
    shares: tuple[float, ...]
    span: Span
    probability: float
    lasting: bool


def cause_of(
    elements: Sequence[Element], found: Found, settings: Settings, *, use_known: bool, watched: frozenset[str]
) -> tuple[Cause, tuple[str, ...]]:
    """The cause that every plausible member has, else not separable; and the names to give.

    Without counters the home's own traffic is as good an explanation as the access line; it is then named
    beside it and the guard "own traffic is not known" keeps the verdict from being proven.
    """
    plausible = [j for j, s in zip(found.members, found.shares, strict=True) if s >= settings.plausible_share]
    plausible = plausible or [found.members[0]]
    causes = {elements[j].cause for j in plausible}
    if not use_known and Cause.UPSTREAM_LINK in causes:
        causes.discard(Cause.OWN_TRAFFIC)
    # The whole group is named, as packets cannot split it; what other evidence rules out is not in it.
    names = tuple(
        elements[j].name
        for j in found.members
        if j in plausible or not _cleared(elements[j], use_known=use_known, watched=watched)
    )
    return (causes.pop() if len(causes) == 1 else Cause.NOT_SEPARABLE), names


def _cleared(element: Element, *, use_known: bool, watched: frozenset[str]) -> bool:
    """Whether counters or the agent's own readings speak against an implausible member of a group."""
    if element.nature is Nature.OWN_TRAFFIC:
        return use_known
    return element.nature is Nature.HOST and element.name.partition(":")[2] in watched


def verdict_of(
    scene: Scene, found: Found, settings: Settings, *, at_ns: int, end_ns: int, detected_ns: int
) -> Verdict:
    """The verdict for an episode whose ticks are `scene`."""
    elements = scene.elements
    use_known = is_known(scene.use)
    cause, names = cause_of(elements, found, settings, use_known=use_known, watched=scene.watched)
    lead = elements[found.members[0]]
    if cause in PROVIDERS:
        lead = next(elements[j] for j in found.members if elements[j].cause is cause)
    missing: tuple[str, ...] = ()
    if cause in PROVIDERS:
        rivals = [e for e in elements if e.name in names and e.cause not in (cause, Cause.OWN_TRAFFIC)]
        missing = unmet(scene, lead, settings, rivals)
    columns = sorted(lead.column)
    figures = severity(scene.table, scene.speaks, columns, loc50=scene.loc50, loc80=scene.loc80)
    return Verdict(
        cause=cause,
        elements=names,
        probability=published(found.probability, cause) if settings.calibrated else found.probability,
        start_ns=at_ns,
        end_ns=None if found.lasting else end_ns,
        severity=figures,
        proven=not missing,
        missing=missing,
        ruled_out=ruled_out(scene, look(scene), lead, names),
        would_change=_would_change(scene, names),
        baseline=_medians(scene, columns),
        detected_ns=detected_ns,
    )


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
    """The additions that would split the named group, cheapest first; counters where own traffic is in it."""
    out = []
    if len(names) > 1:
        rest = tuple(n for n in names if n != OWN_TRAFFIC)
        if len(rest) > 1:
            silent = _silent_agents(scene, rest)
            if silent:
                out.append(f"keep the agent on {' or '.join(silent)} running: it was not heard then")
            else:
                out += [a.words for a in advice_for(scene.home, scene.sessions, (rest,))]
        if OWN_TRAFFIC in names:
            out.append("read the router's byte counters, so that the home's own traffic is known")
    return tuple(out)
