"""Steps that follow from the cause inside a hop: the cheapest and surest first, each with its gain."""

import re
import shlex
from collections.abc import Callable, Iterator

from whichhop.advice.facts import HomeFacts, Trouble, trouble, trouble_words
from whichhop.advice.step import Recommendation, RecommendationKind, brings_words
from whichhop.cabling.cautions import cautions_for
from whichhop.inside.seen import Place, Sort, place_of
from whichhop.inside.table import WIRE, Act, row_of
from whichhop.model import Cause, Home, Verdict
from whichhop.model.effort import Effort
from whichhop.model.inner_cause import Reason


def is_told(verdict: Verdict) -> bool:
    """Whether the cause inside the hop is named, so that steps of its own stand for the verdict."""
    return verdict.why is not None


def steps(known: HomeFacts) -> Iterator[Recommendation]:
    """For each hop and cause that was named, the table's steps; the surest verdict gives the figures."""
    best: dict[tuple[tuple[str, ...], str], tuple[Verdict, Reason]] = {}
    for verdict in known.verdicts:
        if (reason := verdict.why) is None:
            continue
        key = (verdict.elements, reason.cause)
        if key not in best or reason.probability > best[key][1].probability:
            best[key] = (verdict, reason)
    for (elements, cause), (verdict, reason) in best.items():
        place = place_of(known.home, verdict)
        if place is None:
            continue
        found = trouble(known, _same(elements, cause))
        for number, act in enumerate(row_of(reason.cause, place.sort).acts):
            if act is WIRE and verdict.cause is Cause.BACKHAUL and place.link is not None:
                continue  # backhaul.py tells by what it can be wired, and what that would carry
            if place.sort is Sort.LINE and act.effort is Effort.VISIT:
                continue  # whether they are called rests on the proof, which provider.py weighs
            yield _step(known, found, place, verdict, reason, act=act, number=number)


def plain_steps(home: Home, verdict: Verdict) -> tuple[str, ...]:
    """What to do in the home about the cause that a verdict names, cautions under each; none if none is."""
    place, reason = place_of(home, verdict), verdict.why
    if place is None or reason is None:
        return ()
    return tuple(
        " ".join((f"{place.fill(act.what)}.", *brings_words(act.brings), *cautions_for(act.hazards)))
        for act in row_of(reason.cause, place.sort).acts
        if not (place.sort is Sort.LINE and act.effort is Effort.VISIT)
    )


def _same(elements: tuple[str, ...], cause: str) -> Callable[[Verdict, object], bool]:
    def same(verdict: Verdict, _line: object) -> bool:
        return verdict.elements == elements and verdict.why is not None and verdict.why.cause == cause

    return same


def _step(
    known: HomeFacts, found: Trouble, place: Place, verdict: Verdict, reason: Reason, *, act: Act, number: int
) -> Recommendation:
    what = place.fill(act.what)
    line = verdict.inside.line if verdict.inside else ""
    changed = shlex.quote(re.split(r" ?[:;,(]", what, maxsplit=1)[0][:80])
    return Recommendation(
        key=f"inside-{number + 1}-{reason.cause}",
        kind=RecommendationKind.FIX,
        what=what,
        where=" + ".join(verdict.elements),
        why=(f"{line}{': ' + '; '.join(reason.evidence) if reason.evidence else ''}", trouble_words(found)),
        brings=act.brings,
        **found.ends,
        effort=act.effort,
        cost=act.cost,
        cautions=cautions_for(act.hazards),
        commands=(f"whichhop note {known.file} {changed} && whichhop before-after {known.file} --after 1d",),
    )
