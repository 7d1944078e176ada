"""Causes inside a hop, what is felt without one, and what a step against them asks of somebody."""

from enum import StrEnum

from msgspec import Struct

from whichhop.model.figure_words import percent, probability_words
from whichhop.model.units import NS_PER_S


class InnerCause(StrEnum):
    """What may be wrong inside the hop that a verdict names."""

    WEAK_SIGNAL = "weak-signal"
    BUSY_CHANNEL = "busy-channel"
    MAINS_INTERFERENCE = "mains-interference"
    PERIODIC_INTERFERENCE = "periodic-interference"
    SCANNING = "scanning"
    POWER_SAVE = "power-save"
    LOW_LINK_RATE = "low-link-rate"
    FLAPPING = "flapping"
    MAINS_NOISE = "mains-noise"
    APPLIANCE_CYCLE = "appliance-cycle"
    DROPOUTS = "dropouts"
    COAX_PLANT = "coax-splitters"
    SLOW_PORT = "slow-port"
    HALF_DUPLEX = "half-duplex"
    FRAME_ERRORS = "frame-errors"
    LEVELS = "levels"
    UNCORRECTABLES = "uncorrectables"
    PARTIAL_SERVICE = "partial-service"
    RANGING = "ranging-timeouts"
    EVENING_CONGESTION = "evening-congestion"
    RATE_UNDER_PLAN = "rate-under-plan"
    LINE_OUTAGE = "line-outage"
    DSL_MARGIN = "dsl-margin"
    RETRAINS = "retrains"
    FIBRE_LIGHT = "fibre-light"
    UPLOAD_FILLS = "upload-fills-line"
    DOWNLOAD_FILLS = "download-fills-line"
    OVERLOAD = "overload"
    RESTART = "restart"
    SLOW_ANSWERS = "slow-answers"
    SLOW_RESOLVER = "slow-resolver"
    LOST_LOOKUPS = "lost-lookups"


INNER_WORDS: dict[InnerCause, str] = {
    InnerCause.WEAK_SIGNAL: "weak signal",
    InnerCause.BUSY_CHANNEL: "busy channel",
    InnerCause.MAINS_INTERFERENCE: "interference in step with the mains, as of a microwave oven",
    InnerCause.PERIODIC_INTERFERENCE: "interference that comes and goes at a period",
    InnerCause.SCANNING: "scanning or roaming again and again",
    InnerCause.POWER_SAVE: "power save: the radio dozes between packets",
    InnerCause.LOW_LINK_RATE: "low link rate",
    InnerCause.FLAPPING: "connection that drops and comes back",
    InnerCause.MAINS_NOISE: "noise in step with the mains, as of a power supply or dimmer",
    InnerCause.APPLIANCE_CYCLE: "an appliance that runs at its hours or cycles",
    InnerCause.DROPOUTS: "dropouts of seconds",
    InnerCause.COAX_PLANT: "missing entry filter, or a splitter too many",
    InnerCause.SLOW_PORT: "port that runs below its speed, as with a broken pair",
    InnerCause.HALF_DUPLEX: "half duplex",
    InnerCause.FRAME_ERRORS: "damaged frames: a bad cable or plug",
    InnerCause.LEVELS: "signal levels out of range",
    InnerCause.UNCORRECTABLES: "noise: uncorrectable codewords",
    InnerCause.PARTIAL_SERVICE: "partial service: not all channels in use",
    InnerCause.RANGING: "ranging timeouts of the modem",
    InnerCause.EVENING_CONGESTION: "congestion at busy hours",
    InnerCause.RATE_UNDER_PLAN: "rate under the plan at all hours",
    InnerCause.LINE_OUTAGE: "outage of the line",
    InnerCause.DSL_MARGIN: "too little noise margin",
    InnerCause.RETRAINS: "modem loses the line and trains again",
    InnerCause.FIBRE_LIGHT: "too little or too much light",
    InnerCause.UPLOAD_FILLS: "upload fills the line",
    InnerCause.DOWNLOAD_FILLS: "download fills the line",
    InnerCause.OVERLOAD: "the box is overloaded",
    InnerCause.RESTART: "the box restarted",
    InnerCause.SLOW_ANSWERS: "slow answers only; what it forwards is well",
    InnerCause.SLOW_RESOLVER: "the resolver answers slowly",
    InnerCause.LOST_LOOKUPS: "questions to the resolver go unanswered",
}


class Reason(Struct, frozen=True, kw_only=True):
    """One cause inside a hop, how likely it is among all there are, and the figures that speak for it."""

    cause: InnerCause
    probability: float
    evidence: tuple[str, ...]

    @property
    def words(self) -> str:
        """The cause as a reader would say it."""
        return INNER_WORDS[self.cause]


class Drawing(Struct, frozen=True, kw_only=True):
    """One series that shows the evidence: bars over `x`, and a line beside them where there is one.

    x: what `x_words` says; seconds since `start_ns` (UTC) where that is told, for times of day. y: what
    `y_words` says, with its unit. beside: a second series on the same x, such as busy time; empty where there
    is none.
    """

    title: str
    x_words: str
    y_words: str
    x: tuple[float, ...]
    y: tuple[float, ...]
    beside: tuple[float, ...] = ()
    beside_words: str = ""
    start_ns: int | None = None

    def at_ns(self, place: int) -> int | None:
        """The instant in the middle of a bar; None where x is no time that went by once."""
        return None if self.start_ns is None else self.start_ns + round(self.x[place] * NS_PER_S)


NAMED_AT = 0.7
"""From here on a cause is named; under it the answer is that packets and counters cannot tell which."""
LIKELY = 0.25
"""An answer that names no cause mentions none that is less likely than this: three to one against it."""


class InnerAnswer(Struct, frozen=True, kw_only=True):
    """What is known of the cause inside a hop.

    where: the hop in words. reasons: the likeliest first, those of some weight only; what none of them
    explains is the rest to 1. settles: what would tell where none is named.
    """

    where: str
    reasons: tuple[Reason, ...]
    settles: tuple[str, ...] = ()
    drawing: Drawing | None = None

    @property
    def named(self) -> Reason | None:
        """The cause, where it is likely enough to be named."""
        first = self.reasons[0] if self.reasons else None
        return first if first is not None and first.probability >= NAMED_AT else None

    @property
    def line(self) -> str:
        """The answer in one line."""
        named = self.named
        if named is not None:
            return f"{self.where}: {named.words} ({probability_words(named.probability)})"
        likely = [f"{r.words} ({percent(r.probability)})" for r in self.reasons if r.probability >= LIKELY]
        perhaps = f"; perhaps {', or '.join(likely[:2])}" if likely else ""
        return f"{self.where}: why it is slow is not determined{perhaps}"


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


class Felt(Struct, frozen=True, kw_only=True):
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


class Effort(StrEnum):
    """How long it takes, the least first."""

    MINUTES = "minutes"
    HOUR = "about an hour"
    HOURS = "some hours"
    VISIT = "a call, then days of waiting for a visit"


class Cost(StrEnum):
    """What it costs, the least first."""

    NOTHING = "no cost"
    SMALL = "small cost: a cable or a part"
    MIDDLING = "medium cost: a pair of adapters or a small machine"
    LARGE = "large cost: a new box"
