"""Judges whatever a modem's reading holds: cable channels, a DSL line, a fibre's light (ITU-T G.984.2)."""

from whichhop.cabling.cautions import Hazard, cautions_for
from whichhop.cabling.dsl import judge_dsl
from whichhop.cabling.judge_levels import Judgement, judge, judge_value, worst_first
from whichhop.cabling.rules import RULES
from whichhop.model.channel import Direction, ModemLevels
from whichhop.model.home import Plan

FIBRE_CAUTIONS = cautions_for((Hazard.LASER, Hazard.PROVIDER))
"""What to say wherever someone is sent to look at a fibre."""


def judge_fibre(receive_dbm: float, node: str = "fibre terminal") -> Judgement:
    """The light that arrives at the home's terminal."""
    rules = (RULES["fibre-receive-specification"], RULES["fibre-receive-practice"])
    return Judgement(findings=worst_first(judge_value(rule, node, receive_dbm) for rule in rules))


def judge_modem(after: ModemLevels, before: ModemLevels | None = None, plan: Plan | None = None) -> Judgement:
    """All findings on a reading; codeword ratios need an earlier one, line rates the plan."""
    found = list(judge(after, before).findings)
    if after.dsl:
        wanted = {} if plan is None else {Direction.DOWN: plan.down_bps, Direction.UP: plan.up_bps}
        found += judge_dsl(after.dsl, {way: float(rate) for way, rate in wanted.items()}).findings
    if after.receive_dbm is not None:
        found += judge_fibre(after.receive_dbm, after.node).findings
    return Judgement(findings=worst_first(found))
