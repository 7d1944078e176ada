"""Judges whatever a modem's reading holds: cable channels, a DSL line, the light of a fibre."""

from whichhop.cabling.dsl import judge_dsl
from whichhop.cabling.fibre import judge_fibre
from whichhop.cabling.judge_levels import Judgement, judge, worst_first
from whichhop.model.channel import Direction, ModemLevels
from whichhop.model.home import Plan


def judge_modem(after: ModemLevels, before: ModemLevels | None = None, plan: Plan | None = None) -> Judgement:
    """All findings on a reading; codeword ratios need an earlier one, line rates the plan."""
    found = list(judge(after, before).findings)
    if after.dsl:
        wanted = {} if plan is None else {Direction.DOWN: plan.down_bps, Direction.UP: plan.up_bps}
        found += judge_dsl(after.dsl, {way: float(rate) for way, rate in wanted.items()}).findings
    if after.receive_dbm is not None:
        found += judge_fibre(after.receive_dbm, after.node).findings
    return Judgement(findings=worst_first(found))
