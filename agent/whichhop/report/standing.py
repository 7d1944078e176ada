"""What a report comes to in one word, and how far it may say that the home was not the cause."""

from enum import StrEnum

from whichhop.model import Owner
from whichhop.model.dossier import Claim, Dossier, Wiring
from whichhop.model.finding import LEVELS_KNOWN_S
from whichhop.model.links import HOUSE_CABLING
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
    return ReportStanding.LEVELS if dossier.wiring in POOR else ReportStanding.NO_FAULT


def too_short(dossier: Dossier) -> bool:
    """Whether so little was measured that, without an episode, nothing may be called free of faults."""
    return not dossier.levels_alone and dossier.end_ns - dossier.start_ns < LEVELS_KNOWN_S * NS_PER_S


_CAVEAT = {
    Wiring.UNREAD: f"; {HOUSE_CABLING} is not excluded, since the modem's levels were not read.",
    Wiring.GOOD: f"; {HOUSE_CABLING} is not excluded, though every level that was read is within its limits.",
    Wiring.MARGINAL: f"; {HOUSE_CABLING} is not excluded, and the modem's levels are marginal.",
    Wiring.BAD: f"; {HOUSE_CABLING} is not excluded: the modem's levels are outside their limits, by that"
    " cabling or by the provider's drop.",
    Wiring.ENTERS_BAD: f", nor was {HOUSE_CABLING}: the level is bad where it enters the house.",
    Wiring.AT_FAULT: f"; {HOUSE_CABLING} explains the modem's levels.",
}


def home_cleared(dossier: Dossier, claim: Claim) -> str:
    """That the home was not the cause, only as far as it was measured."""
    said = "The home's own network was measured at the same moments and was not the cause"
    return said + (_CAVEAT[dossier.wiring] if claim.owner is Owner.PROVIDER else ".")
