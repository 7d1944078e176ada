"""All steps: first those about what is wrong now, then by measured benefit.

Where trouble lasts, whoever asks wants it gone: what was changed just before it is asked first, then come the
steps about it that cost nothing, then the cheap, then the dear. Nothing else stands before them.

The rest is ranked by the share of what is paid for that each would give back at most. Rates and time are
brought to one scale, the service that the home pays for: a step that lifts a rate is worth the part of the
plan's rate that it opens, in the better direction; a step that ends trouble is worth the part of the judged
time that its episodes took. Where both are known the larger counts. A step that only tells whose fault
something is counts half of that. What nobody measured is worth nothing yet and comes last, as a thing to
measure. Equal worth, to a thousandth: the least effort first, then the least cost.

The same episodes may speak for more than one step; each gain is what its step would give if it alone cured
all of them, hence "at most".
"""

from whichhop.advice import (
    backhaul,
    box,
    coax,
    delivery,
    felt,
    of_cause,
    plain,
    provider,
    recall,
    separated_box,
    vantage,
)
from whichhop.advice.facts import HomeFacts
from whichhop.advice.step import Recommendation, RecommendationKind
from whichhop.model.inner_cause import Cost, Effort

FIRST = "claim-plan"
"""A plan that every test contradicts is news, whatever else could be bettered: the line bounds it all."""
_EFFORTS, _COSTS = list(Effort), list(Cost)


def order(step: Recommendation) -> tuple[bool, bool, tuple[float, ...], str, str]:
    """The sorting key of the rule above."""
    worth, effort, cost = -round(step.worth, 3), _EFFORTS.index(step.effort), _COSTS.index(step.cost)
    by_price = (step.key != recall.KEY, cost, effort, worth)
    by_worth = (step.key != FIRST, worth, effort, cost)
    return (
        step.kind is RecommendationKind.MEASURE,
        not step.now,
        by_price if step.now else by_worth,
        step.key,
        "" if step.key == recall.KEY else step.where,  # in the order in which every screen tells faults
    )


def advise(known: HomeFacts) -> tuple[Recommendation, ...]:
    """Every step that has evidence, the best first, then what to measure."""
    rooms = (recall, backhaul, coax, box, delivery, of_cause, plain, felt, provider, separated_box, vantage)
    return tuple(sorted((step for room in rooms for step in room.steps(known)), key=order))
