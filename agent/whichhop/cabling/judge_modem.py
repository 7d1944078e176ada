"""Judges a modem's reading: cable channels, a DSL line (ITU-T G.997.1), a fibre's light (ITU-T G.984.2)."""

from whichhop.cabling.cautions import Hazard, cautions_for
from whichhop.cabling.judge_levels import Judgement, LevelFinding, judge, judge_value, worst_first
from whichhop.cabling.rules import PRACTICE, RULES, LevelStanding
from whichhop.model.channel import Direction, DslLine, ModemLevels
from whichhop.model.home import Plan

FIBRE_CAUTIONS = cautions_for((Hazard.LASER, Hazard.PROVIDER))
"""What to say wherever someone is sent to look at a fibre."""


def _against_plan(levels: DslLine, plan_bps: float) -> LevelFinding | None:
    if levels.rate_bps is None:
        return None
    short = levels.rate_bps < plan_bps
    words = f"{levels.direction}stream: line rate {levels.rate_bps / 1e6:.1f} Mbit/s"
    if short:
        words += (
            f", under the plan's {plan_bps / 1e6:g} Mbit/s: nothing in the home can be faster than the line"
        )
    return LevelFinding(
        rule="dsl-rate",
        about=f"{levels.direction}stream",
        standing=LevelStanding.OUTSIDE if short else LevelStanding.FINE,
        value=levels.rate_bps,
        unit="bit/s",
        words=words,
        source="the plan in the home file",
    )


def _unused(levels: DslLine) -> LevelFinding | None:
    """A line held well under what it could do was slowed on purpose, after errors or by the plan."""
    if not levels.rate_bps or not levels.attainable_bps:
        return None
    used = levels.rate_bps / levels.attainable_bps
    words = f"{levels.direction}stream: the line uses {100 * used:.0f} % of its attainable rate"
    if used > 0.95:
        words += ": no reserve for noise"
    return LevelFinding(
        rule="dsl-use",
        about=f"{levels.direction}stream",
        standing=LevelStanding.MARGINAL if used > 0.95 else LevelStanding.FINE,
        value=used,
        unit="",
        words=words,
        source=PRACTICE,
    )


def judge_dsl(lines: tuple[DslLine, ...], plan_bps: dict[Direction, float] | None = None) -> Judgement:
    """Both directions of a DSL line, against the plan where it is known."""
    found: list[LevelFinding] = []
    for line in lines:
        about = f"{line.direction}stream"
        if line.margin_db is not None:
            found.append(judge_value(RULES["dsl-margin-lost"], about, line.margin_db))
            found.append(judge_value(RULES["dsl-margin-fragile"], about, line.margin_db))
        if line.attenuation_db is not None:
            found.append(judge_value(RULES["dsl-attenuation"], about, line.attenuation_db))
        wanted = (plan_bps or {}).get(line.direction)
        more = (_against_plan(line, wanted) if wanted else None, _unused(line))
        found += [f for f in more if f is not None]
    return Judgement(findings=worst_first(found))


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
