"""Judges a DSL modem's noise margin, attenuation and line rate per direction (terms of ITU-T G.997.1)."""

from whichhop.cabling.judge_levels import Judgement, LevelFinding, judge_value, worst_first
from whichhop.cabling.rules import PRACTICE, RULES, LevelStanding
from whichhop.model.channel import Direction, DslLine


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
