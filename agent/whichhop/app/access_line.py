"""What the modem's levels add to verdicts about the access line."""

from collections.abc import Sequence

from whichhop.cabling.access_line import explain_line
from whichhop.cabling.explain import Explanation
from whichhop.cabling.level_readings import from_readings
from whichhop.config.check import House
from whichhop.model import Reading, Verdict


def line_explanations(
    verdicts: Sequence[Verdict], end_ns: int, house: House, readings: Sequence[Reading]
) -> list[Explanation | None]:
    """One for each verdict; None where it is not about the access line or where no levels are ever read.

    end_ns: where the judged span ends, for verdicts that last.
    """
    about = [v for v in verdicts if v.near_line]
    if not house.home.levels or not about:
        return [None] * len(verdicts)
    history = from_readings(readings)
    loss = [(v.start_ns, v.end_ns or end_ns) for v in about if v.severity is not None and v.severity.lost]

    def one(verdict: Verdict) -> Explanation | None:
        known = [levels for levels in history if levels.at_ns <= (verdict.end_ns or end_ns)]
        return explain_line(verdict, known, house.run, loss)

    return [one(v) if v in about else None for v in verdicts]
