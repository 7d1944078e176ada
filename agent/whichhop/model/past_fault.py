"""Faults as they are kept for weeks, and what the days of the home's zone add up to."""

from enum import StrEnum

from msgspec import Struct

from whichhop.model.links import CAUSE_TABLE, PROVIDERS, Cause, Owner

NO_FAULTS = (Cause.HEALTHY, Cause.RESPONDER, Cause.AGENT_HOST)
"""Verdicts that are no fault of home or provider."""


class Whose(StrEnum):
    """Who can fix what stood in a part of a day; `unheard`: nothing of that part was judged."""

    HOME = "home"
    PROVIDER = "provider"
    OTHERS = "others"
    """Another's, or cannot be told apart."""
    UNHEARD = "unheard"


class PastFault(Struct, frozen=True, kw_only=True):
    """An episode: of what, where (likeliest first), from when to when; one that goes on ends now."""

    cause: Cause
    elements: tuple[str, ...]
    start_ns: int
    end_ns: int

    @property
    def key(self) -> tuple[int, tuple[str, ...]]:
        """What names it among others."""
        return self.start_ns, self.elements

    @property
    def whose(self) -> Whose:
        """Who can fix it."""
        if self.cause in PROVIDERS:
            return Whose.PROVIDER
        return Whose.HOME if CAUSE_TABLE[self.cause].owner is Owner.HOME else Whose.OTHERS

    def same(self, other: "PastFault") -> bool:
        """Whether they tell of one fault: they share an element and overlap in time."""
        touch = self.start_ns < other.end_ns and other.start_ns < self.end_ns
        return touch and bool(set(self.elements) & set(other.elements))


class DayPart(Struct, frozen=True, kw_only=True):
    """A stretch of a day, in minutes since it began."""

    whose: Whose
    start_min: int
    end_min: int


class DayTotal(Struct, frozen=True, kw_only=True):
    """A day of the home's zone, 23 to 25 hours, today up to now.

    day: its date, "2026-03-29"; it began at start_ns. length_min: minutes it has, or has had so far.
    episodes: those that reach into it, by whose. minutes: by whose, in which something of theirs was at fault
    (at once counts once) or nothing was judged: before measuring began, or no agent was heard. parts: the
    same in order of time, those closer than a drawing can show made one.
    """

    day: str
    start_ns: int
    length_min: int
    episodes: dict[Whose, int]
    minutes: dict[Whose, int]
    parts: tuple[DayPart, ...] = ()

    @property
    def unheard_min(self) -> int:
        """Minutes that were not judged."""
        return self.minutes.get(Whose.UNHEARD, 0)


class PlaceTotal(Struct, frozen=True, kw_only=True):
    """How many episodes one element, or one group that cannot be split, had."""

    elements: tuple[str, ...]
    episodes: int


class SpanTotal(Struct, frozen=True, kw_only=True):
    """Several days together, today included: each episode once; `places`: the most frequent first."""

    days: int
    length_min: int
    episodes: int
    fault_min: int
    unheard_min: int
    places: tuple[PlaceTotal, ...]


class PastDays(Struct, frozen=True, kw_only=True):
    """The last month by the day, oldest first, and what the last week and the month add up to.

    zone: in which days begin, "CET (UTC+1)".
    """

    zone: str
    days: tuple[DayTotal, ...]
    week: SpanTotal
    month: SpanTotal
