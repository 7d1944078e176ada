"""What the comparer's calibration is made of: how often verdicts of each cause were right."""

from collections.abc import Sequence

from suite.scoring import Score
from whichhop.compare.verdict.calibration import SURE
from whichhop.model import Cause


def counts(scores: Sequence[Score]) -> tuple[dict[Cause, tuple[int, int]], tuple[int, int]]:
    """Verdicts and right ones, by cause where the filter was sure, together where it was not."""
    verdicts = [v for s in scores for v in s.verdicts]
    sure = [v for v in verdicts if v.probability >= SURE]
    less = [v for v in verdicts if v.probability < SURE]
    by_cause = {
        cause: (len(own), sum(v.among for v in own))
        for cause in Cause
        if (own := [v for v in sure if v.cause is cause])
    }
    return by_cause, (len(less), sum(v.among for v in less))


def learnt(scores: Sequence[Score]) -> str:
    """The table of compare/verdict/calibration.py as it is to be written there."""
    sure, less = counts(scores)
    rows = [f"    Cause.{cause.name}: ({n}, {right})," for cause, (n, right) in sure.items()]
    return "\n".join(["SURE_RIGHT = {", *rows, "}", f"UNSURE_RIGHT = ({less[0]}, {less[1]})"])
