"""Judges a fibre terminal's optical levels against the class B+ budget of ITU-T G.984.2."""

from dataclasses import dataclass

from whichhop.cabling.cautions import Hazard, cautions_for
from whichhop.cabling.judge_levels import Judgement, judge_value, worst_first
from whichhop.cabling.rules import RULES


@dataclass(frozen=True, slots=True, kw_only=True)
class OpticalBudget:
    """A class of passive optical network: launch powers in dBm, loss of the plant in dB, penalty in dB."""

    launch_low_dbm: float
    launch_high_dbm: float
    plant_low_db: float
    plant_high_db: float
    penalty_db: float

    @property
    def receive_dbm(self) -> tuple[float, float]:
        """Weakest and strongest light that the far end must take: launch less plant loss and penalty.

        Weakest: least launch, most loss and the penalty; strongest: most launch, least loss.
        """
        weakest = self.launch_low_dbm - self.plant_high_db - self.penalty_db
        return weakest, self.launch_high_dbm - self.plant_low_db


B_PLUS_DOWN = OpticalBudget(
    launch_low_dbm=1.5, launch_high_dbm=5.0, plant_low_db=13.0, plant_high_db=28.0, penalty_db=0.5
)
"""Towards the home: G.984.2 Amd 1, class B+, from memory."""
B_PLUS_UP = OpticalBudget(
    launch_low_dbm=0.5, launch_high_dbm=5.0, plant_low_db=13.0, plant_high_db=28.0, penalty_db=0.5
)
"""Towards the provider."""


FIBRE_CAUTIONS = cautions_for((Hazard.LASER, Hazard.PROVIDER))
"""What to say wherever someone is sent to look at a fibre."""


def judge_fibre(receive_dbm: float, node: str = "fibre terminal") -> Judgement:
    """The light that arrives at the home's terminal."""
    rules = (RULES["fibre-receive-specification"], RULES["fibre-receive-practice"])
    return Judgement(findings=worst_first(judge_value(rule, node, receive_dbm) for rule in rules))
