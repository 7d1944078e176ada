"""What a report comes to in one word."""

from enum import StrEnum

from whichhop.model.dossier import Dossier, Wiring
from whichhop.model.finding import LEVELS_KNOWN_S
from whichhop.model.units import NS_PER_S


class ReportStanding(StrEnum):
    """What everything that is made of a dossier turns on: report, letter, call and summary."""

    CLAIM = "claim"
    """The provider is held to a fault."""
    PLAN = "plan"
    """Only the rate of the plan is missed."""
    LEVELS = "levels"
    """Only the modem's levels are outside their limits, or marginal."""
    NOT_YET = "not-yet"
    """It points to the provider, and something is missing to claim it."""
    ELSEWHERE = "elsewhere"
    """Something was at fault, and it was not the provider's."""
    FELT = "felt"
    """No hop is slow, and something else is felt."""
    NO_FAULT = "no-fault"


POOR = (Wiring.MARGINAL, Wiring.BAD, Wiring.ENTERS_BAD, Wiring.AT_FAULT)
"""Levels that are worth a step by themselves."""


def plan_is_missed(dossier: Dossier) -> bool:
    """Whether tests that the home did not limit contradict the plan."""
    return any(row.missed for row in dossier.plan)


def standing_of(dossier: Dossier) -> ReportStanding:
    """The one that leads; a missed plan or poor levels may come on top of a claim."""
    claim = dossier.claim
    if claim is not None and claim.made:
        return ReportStanding.CLAIM
    if plan_is_missed(dossier):
        return ReportStanding.PLAN
    if claim is not None:
        return ReportStanding.NOT_YET if claim.missing else ReportStanding.ELSEWHERE
    if dossier.wiring in POOR:
        return ReportStanding.LEVELS
    return ReportStanding.FELT if dossier.felt else ReportStanding.NO_FAULT


def too_short(dossier: Dossier) -> bool:
    """Whether so little was measured that, without an episode, nothing may be called free of faults."""
    return not dossier.levels_alone and dossier.end_ns - dossier.start_ns < LEVELS_KNOWN_S * NS_PER_S
