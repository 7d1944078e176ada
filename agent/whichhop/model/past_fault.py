"""Faults that are over, as they are kept for weeks, and what the days of the home's zone add up to."""

from dataclasses import dataclass

from whichhop.model.links import CAUSE_TABLE, PROVIDERS, Cause, Owner

NO_FAULTS = (Cause.HEALTHY, Cause.RESPONDER, Cause.AGENT_HOST)
"""Verdicts that are no fault of home or provider."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PastFault:
    """An episode: of what, where (likeliest first), from when to when, how sure, and whether proven."""

    cause: Cause
    elements: tuple[str, ...]
    start_ns: int
    end_ns: int
    probability: float
    proven: bool

    @property
    def by_home(self) -> bool:
        """Whether the home can fix it."""
        return CAUSE_TABLE[self.cause].owner is Owner.HOME

    @property
    def by_provider(self) -> bool:
        """Whether it is the provider's, or further."""
        return self.cause in PROVIDERS

    def same(self, other: "PastFault") -> bool:
        """Whether they tell of one fault: they share an element and overlap in time."""
        touch = self.start_ns < other.end_ns and other.start_ns < self.end_ns
        return touch and bool(set(self.elements) & set(other.elements))


@dataclass(frozen=True, slots=True, kw_only=True)
class DayTotal:
    """A day of the home's zone, 23 to 25 hours, today up to now.

    day: its date, "2026-03-29". length_min: minutes it has, or has had so far. home_min, provider_min,
    others_min: minutes in which something of that owner was at fault (at once counts once); others: another's,
    or not told apart. The counts are episodes that reach into the day. not_judged_min: minutes of which
    nothing is known: before measuring began, or no agent was heard. down_low_dbmv to uncorrectable: the worst
    of all modems' levels; None where not read.
    """

    day: str
    length_min: int
    home_min: int = 0
    provider_min: int = 0
    others_min: int = 0
    home_episodes: int = 0
    provider_episodes: int = 0
    others_episodes: int = 0
    not_judged_min: int = 0
    down_low_dbmv: float | None = None
    down_high_dbmv: float | None = None
    snr_low_db: float | None = None
    up_high_dbmv: float | None = None
    uncorrectable: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceTotal:
    """How many episodes one element, or one group that cannot be split, had."""

    elements: tuple[str, ...]
    episodes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SpanTotal:
    """Several days together, today included: each episode once; `places`: the most frequent first."""

    days: int
    episodes: int
    fault_min: int
    places: tuple[PlaceTotal, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PastDays:
    """The last month by the day, oldest first, and what the last week and the month add up to."""

    zone: str
    days: tuple[DayTotal, ...]
    week: SpanTotal
    month: SpanTotal
