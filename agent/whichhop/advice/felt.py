"""Steps about what users feel though no hop is slow; worth no share of time, since no packet shows it."""

from collections.abc import Iterator

from whichhop.advice.facts import HomeFacts
from whichhop.advice.step import Recommendation, RecommendationKind
from whichhop.model.inner_cause import FELT_WORDS


def steps(known: HomeFacts) -> Iterator[Recommendation]:
    """One recommendation for each step of each cause that is felt."""
    for found in known.felt:
        command, _, when = found.check.partition(", ")
        for number, what in enumerate(found.steps):
            yield Recommendation(
                key=f"felt-{number + 1}-{found.cause}",
                kind=RecommendationKind.FIX,
                what=what.removesuffix(".")
                + (f" (because {FELT_WORDS[found.cause]})" if number == 0 else ""),
                where=found.where,
                why=(f"{found.line}: {'; '.join(found.evidence)}", f"what users notice: {found.feels}"),
                brings="an end to that" + (f", to be seen {when}" if when else ""),
                commands=(command.replace(" HOME", f" {known.file}"),),
            )
