"""Another vantage point where trouble could not be told apart; another machine for an agent in the way."""

from collections.abc import Iterator

from msgspec.structs import replace

from whichhop.advice.facts import NO_TROUBLE, HomeFacts, of, trouble, trouble_words
from whichhop.advice.provider import first_would, likely
from whichhop.advice.step import Recommendation, RecommendationKind, RecommendedGain
from whichhop.advice.worth import EFFORT, KNOWING
from whichhop.cabling.cautions import Hazard, cautions_for
from whichhop.compare.suspects.vantage import COUNTING, Advice, advice_for, separation
from whichhop.compare.words import names_words
from whichhop.model import Cause
from whichhop.model.inner_cause import Cost, Effort

_COST = {1: Cost.NOTHING, 2: Cost.NOTHING, 3: Cost.SMALL, 4: Cost.MIDDLING}


def steps(known: HomeFacts) -> Iterator[Recommendation]:
    """The cheapest addition that splits what could not be told apart, and agents that should move."""
    unsplit = trouble(known, of(Cause.NOT_SEPARABLE))
    if unsplit.verdicts:
        groups = tuple(dict.fromkeys(v.elements for v in unsplit.verdicts))
        for one in advice_for(known.home, known.sessions, groups)[:1]:
            mine = trouble(known, of(Cause.NOT_SEPARABLE, *one.splits))
            if all(likely(v) and first_would(v) == one.words for v in mine.verdicts):
                continue  # provider.py asks for it
            why = (
                f"these could not be told apart: {'; '.join(names_words(g) for g in one.splits)} "
                f"({trouble_words(mine)})",
            )
            yield replace(_addition(one, why, KNOWING * mine.share), now=mine.now)
        yield from _counting(known)
    elif known.sessions:
        found = separation(known.home, known.sessions)
        for one in found.advice[:1]:
            parts = [f"{names_words(g)} have the same sessions over them" for g in one.splits]
            parts += [f"no session crosses {name}" for name in one.sees]
            parts.append(
                f"the routing matrix has rank {found.rank} for {found.links} links; no fault needed it"
            )
            yield _addition(one, tuple(parts), 0.0)
    yield from _movers(known)


def _addition(one: Advice, why: tuple[str, ...], worth: float) -> Recommendation:
    return Recommendation(
        key="add-vantage-point",
        kind=RecommendationKind.TELL,
        what=one.words[0].upper() + one.words[1:],
        where=one.words,
        why=why,
        gains=(RecommendedGain(value=float(len(one.splits) + len(one.sees)), unit="groups"),),
        worth=worth,
        effort=EFFORT[one.effort],
        cost=_COST[one.effort],
        cautions=cautions_for((Hazard.WALL, Hazard.CARPET)) if one.effort == 4 else (),
    )


def _counting(known: HomeFacts) -> Iterator[Recommendation]:
    """Where the home's own traffic may be it and nobody counts it; near the line provider.py asks for it."""
    open_to = trouble(
        known,
        lambda v, _: v.cause is Cause.NOT_SEPARABLE and COUNTING in v.would_change and not v.near_line,
    )
    if open_to.verdicts:
        groups = tuple(dict.fromkeys(v.elements for v in open_to.verdicts))
        yield Recommendation(
            key="count-own-traffic",
            kind=RecommendationKind.TELL,
            what=f"{COUNTING[0].upper()}{COUNTING[1:]}",
            where="own-traffic",
            why=(
                f"these could not be told apart: {'; '.join(map(names_words, groups))} "
                f"({trouble_words(open_to)})",
            ),
            worth=KNOWING * open_to.share,
            now=open_to.now,
            effort=Effort.HOUR,
            cost=Cost.NOTHING,
        )


def _movers(known: HomeFacts) -> Iterator[Recommendation]:
    for agent in known.home.agents:
        named = dict.fromkeys(v.elements for v in known.verdicts if f"host:{agent.name}" in v.elements)
        found = trouble(known, of(Cause.AGENT_HOST, *named)) if named else NO_TROUBLE
        if found.verdicts:
            yield Recommendation(
                key="move-agent",
                kind=RecommendationKind.TELL,
                what=f"Move the agent of {agent.name} to a machine that is not busy or asleep",
                where=agent.name,
                why=(f"its own machine was in the way: {trouble_words(found)}",),
                gains=(replace(found.gain, about="in what it measures"),),
                worth=KNOWING * found.share,
                now=found.now,
                effort=Effort.HOUR,
                cost=Cost.NOTHING,
            )
