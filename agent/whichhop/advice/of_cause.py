"""Steps that follow from the cause inside a hop: the cheapest and surest first, each with its gain."""

import re
import shlex
from collections.abc import Iterator

from whichhop.advice.facts import HomeFacts, Trouble, trouble, trouble_words
from whichhop.advice.step import Recommendation, RecommendationKind, brings_words
from whichhop.cabling.cautions import cautions_for
from whichhop.inside.seen import Place, Sort, place_of
from whichhop.inside.table import UNNAMED, WIRE, Act, row_of
from whichhop.model import Cause, Home, Verdict
from whichhop.model.inner_cause import Effort


def is_told(verdict: Verdict) -> bool:
    """Whether the cause inside the hop is named, so that steps of its own stand for the verdict."""
    return verdict.why is not None


def steps(known: HomeFacts) -> Iterator[Recommendation]:
    """For each hop and cause that was named, the table's steps; the surest verdict gives the figures."""
    best: dict[tuple[tuple[str, ...], str], Verdict] = {}
    for verdict in known.verdicts:
        key = (verdict.elements, _name(verdict))
        if key not in best or _sure(verdict) > _sure(best[key]):
            best[key] = verdict
    for (elements, name), verdict in best.items():
        place = place_of(known.home, verdict)
        if place is None:
            continue
        found = trouble(known, lambda v, _, e=elements, n=name: v.elements == e and _name(v) == n)  # type: ignore[misc]
        for number, act in enumerate(_acts(verdict, place)):
            if act is WIRE and verdict.cause is Cause.BACKHAUL and place.link is not None:
                continue  # backhaul.py tells by what it can be wired, and what that would carry
            if place.sort is Sort.LINE and act.effort is Effort.VISIT:
                continue  # whether they are called rests on the proof, which provider.py weighs
            yield _step(known, found, place, verdict, act=act, key=f"inside-{number + 1}-{name}")


def plain_steps(home: Home, verdict: Verdict) -> tuple[str, ...]:
    """What to do in the home about the cause that a verdict names, cautions under each; none if none is."""
    place = place_of(home, verdict)
    return tuple(
        " ".join((f"{place.fill(act.what)}.", *brings_words(act.brings), *cautions_for(act.hazards)))
        for act in (() if place is None else _acts(verdict, place))
        if place is not None and not (place.sort is Sort.LINE and act.effort is Effort.VISIT)
    )


def _name(verdict: Verdict) -> str:
    return "not-named" if verdict.why is None else verdict.why.cause


def _sure(verdict: Verdict) -> float:
    return 0.0 if verdict.why is None else verdict.why.probability


def _acts(verdict: Verdict, place: Place) -> tuple[Act, ...]:
    """What helps against the cause; of other hops than a backhaul plain.py tells where none is named."""
    if verdict.why is not None:
        return row_of(verdict.why.cause, place.sort).acts
    return UNNAMED.get(place.sort, ()) if verdict.cause is Cause.BACKHAUL else ()


def _step(
    known: HomeFacts, found: Trouble, place: Place, verdict: Verdict, *, act: Act, key: str
) -> Recommendation:
    what = place.fill(act.what)
    reason = verdict.why
    evidence = f": {'; '.join(reason.evidence)}" if reason is not None and reason.evidence else ""
    line = f"{verdict.inside.line}{evidence}" if verdict.inside else f"{place.words} was at fault"
    changed = shlex.quote(re.split(r" ?[:;,(]", what, maxsplit=1)[0][:80])
    return Recommendation(
        key=key,
        kind=RecommendationKind.FIX,
        what=what,
        where=" + ".join(verdict.elements),
        why=(line, trouble_words(found)),
        brings=act.brings,
        **found.ends,
        effort=act.effort,
        cost=act.cost,
        cautions=cautions_for(act.hazards),
        commands=(f"whichhop note {known.file} {changed}", f"whichhop before-after {known.file} --after 1d"),
    )
