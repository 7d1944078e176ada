"""Judges a fibre terminal's optical levels against the class B+ budget of ITU-T G.984.2."""

from whichhop.cabling.cautions import Hazard, cautions_for
from whichhop.cabling.judge_levels import Judgement, judge_value, worst_first
from whichhop.cabling.rules import RULES

FIBRE_CAUTIONS = cautions_for((Hazard.LASER, Hazard.PROVIDER))
"""What to say wherever someone is sent to look at a fibre."""


def judge_fibre(receive_dbm: float, node: str = "fibre terminal") -> Judgement:
    """The light that arrives at the home's terminal."""
    rules = (RULES["fibre-receive-specification"], RULES["fibre-receive-practice"])
    return Judgement(findings=worst_first(judge_value(rule, node, receive_dbm) for rule in rules))
