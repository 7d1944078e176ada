"""A plan that tests unhindered by the home contradict: to be held against the provider, before all else."""

from collections.abc import Iterator

from whichhop.advice.facts import HomeFacts, fair_plan
from whichhop.advice.step import Recommendation, RecommendationKind, RecommendedGain
from whichhop.capacity.plan import PlanAnswer, by_hour, contradicted, delivery_words, news_words
from whichhop.model.inner_cause import Cost, Effort


def steps(known: HomeFacts) -> Iterator[Recommendation]:
    """One step for all directions that are missed; to measure by cable where every test was hindered."""
    if known.home.plan is None:
        return
    found = by_hour(known.tests, known.home.plan, known.zone)
    missed = contradicted(found)
    if missed:
        gains = []
        for one in missed:
            fair = fair_plan(known.home, one.way) or float(one.plan_bps)
            middle = one.median_bps or 0.0
            gains.append(
                RecommendedGain(value=fair - middle, unit="bps", before=middle, after=fair, about=one.way)
            )
        yield Recommendation(
            key="claim-plan",
            kind=RecommendationKind.FIX,
            what="Ask the provider to deliver the plan: tests that the home did not limit fall short of it",
            where="access",
            why=tuple(news_words(one) for one in missed),
            gains=tuple(gains),
            worth=max(g.value / (g.after or 1.0) for g in gains),
            effort=Effort.VISIT,
            cost=Cost.NOTHING,
            commands=(f"whichhop capacity {known.file}",),
        )
    blind = [
        parts[0] for parts in found.values() if parts[0].answer is PlanAnswer.OPEN and not parts[0].tests
    ]
    if any(one.hindered for one in blind):
        yield Recommendation(
            key="measure-plan",
            kind=RecommendationKind.MEASURE,
            what="Test the line by cable at the router: no test so far reached it unhindered",
            where="access",
            why=tuple(delivery_words(one) for one in blind if one.hindered),
            commands=(f"whichhop transfer {known.file} upstream",),
        )
