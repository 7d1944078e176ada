"""What users feel though no hop is slow: sizes that vanish, slow names, a radio asleep or away, and such."""

from dataclasses import dataclass
from enum import StrEnum

from whichhop.model.percent import probability_words


class FeltCause(StrEnum):
    """Why pages, calls or connections are bad while round trip, loss and rate are fine."""

    BLACK_HOLE = "path-mtu-black-hole"
    DSCP_CLEARED = "dscp-cleared"
    SLOW_NAMES = "slow-name-service"
    LOST_NAMES = "name-service-timeouts"
    DOZES = "radio-power-save"
    SCANS = "radio-scanning"


FELT_WORDS: dict[FeltCause, str] = {
    FeltCause.BLACK_HOLE: "large packets vanish (path MTU black hole)",
    FeltCause.DSCP_CLEARED: "the DSCP of calls is cleared",
    FeltCause.SLOW_NAMES: "name service answers slowly",
    FeltCause.LOST_NAMES: "name service leaves questions unanswered",
    FeltCause.DOZES: "its radio sleeps between packets (power save), so what is sent to it waits",
    FeltCause.SCANS: "its radio keeps leaving the channel to scan or roam",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Felt:
    """One such cause, as it was measured.

    where: a link, a resolver or a way, in words. feels: what a user notices. probability: that it is so.
    evidence: figures. steps: what to do, the cheapest and surest first. check: a command that shows whether
    it is gone. source: whose knowledge the bounds are.
    """

    cause: FeltCause
    where: str
    feels: str
    probability: float
    evidence: tuple[str, ...]
    steps: tuple[str, ...]
    check: str
    source: str

    @property
    def line(self) -> str:
        """The answer in one line."""
        return f"{self.where}: {FELT_WORDS[self.cause]} ({probability_words(self.probability)})"
