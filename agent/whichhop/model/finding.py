"""What the comparer says: findings per window, episodes in time, verdicts with their reasons."""

from collections.abc import Mapping

from msgspec import Struct

from whichhop.model.inner_cause import InnerAnswer, Reason
from whichhop.model.links import Cause


class Finding(Struct, frozen=True, kw_only=True):
    """For one element, or one group that these vantage points cannot split, in one window.

    elements: the names in the group; one name when it stands alone.
    probability: that this group is at fault in this window, between 0 and 1.
    spoke_for, spoke_against: sessions whose evidence moved the probability up or down.
    """

    start_ns: int
    elements: tuple[str, ...]
    probability: float
    spoke_for: tuple[str, ...] = ()
    spoke_against: tuple[str, ...] = ()


class Severity(Struct, frozen=True, kw_only=True):
    """What the user feels during an episode, against the quiet baseline; None where not measured.

    added_p50_s, added_p95_s: round trip in excess of the baseline's median, seconds.
    loss_ratio: packets lost of packets sent; `loss_low`, `loss_high` its 95 % interval (stats: clustered).
    lost_there, lost_back: of the lost, those whose direction is known; there is from the first of `way` to
    the second, or away from the agents where no link is named.
    """

    sent: int
    lost: int
    added_p50_s: float | None = None
    added_p95_s: float | None = None
    loss_ratio: float | None = None
    loss_low: float | None = None
    loss_high: float | None = None
    lost_there: int = 0
    lost_back: int = 0
    way: tuple[str, str] | None = None


class RuledOut(Struct, frozen=True, kw_only=True):
    """An explanation that the evidence speaks against, why, and which sessions say so."""

    what: str
    why: str
    sessions: tuple[str, ...]


LEVELS_KNOWN_S = 155.0
"""Before some three minutes have passed no level is told, and of what was wrong before measuring began only
what is plain: bursts of the home's own of 20 to 40 s are most of what would be blamed wrongly after one."""


class Level(Struct, frozen=True, kw_only=True):
    """What an element adds to every round trip, against what is usual for its kind; seconds, two-way.

    elements: one link, or all that packets cannot tell apart, the usually slowest first. low_s, high_s: its
    95 % interval. usual_low_s, usual_high_s: where 95 of 100 such links lie; None where nothing is
    usual, since distance is part of it. round_trip_s: the median of the longest round trip over it.
    """

    elements: tuple[str, ...]
    level_s: float
    low_s: float
    high_s: float
    round_trip_s: float
    usual_low_s: float | None = None
    usual_high_s: float | None = None

    @property
    def above_usual(self) -> bool:
        """Whether it lies beyond what is usual, its own interval included."""
        return self.usual_high_s is not None and self.low_s > self.usual_high_s


class Verdict(Struct, frozen=True, kw_only=True):
    """The answer to "whose fault is it, how sure, since when".

    elements: the guilty element, or the group that cannot be split, likeliest first.
    probability: that `cause` is right: where the group holds elements of another cause, less than the
        group's.
    shares: each named element's own part, where there are several; they sum to the probability that it is
        one of them.
    proven: False when a guard before accusing the provider is unmet; `missing` then says what is.
    would_change: what evidence or vantage point would change or sharpen the verdict.
    baseline: the sessions' quiet medians in seconds, for the reader to judge the figures by.
    spells, spells_s: where it came and went, how often it was there, and seconds in all; the figures are of
        these alone.
    standing: it was there before the first packet, so that `start_ns` is only when measuring began; its
    figures and its baseline are held against what is usual for such links, not against a quiet past.
    """

    cause: Cause
    elements: tuple[str, ...]
    probability: float
    start_ns: int
    end_ns: int | None
    severity: Severity | None = None
    proven: bool = True
    missing: tuple[str, ...] = ()
    ruled_out: tuple[RuledOut, ...] = ()
    would_change: tuple[str, ...] = ()
    baseline: Mapping[str, float] | None = None
    detected_ns: int | None = None
    standing: bool = False
    shares: Mapping[str, float] | None = None
    place: str = ""
    spells: int = 1
    spells_s: float | None = None
    inside: InnerAnswer | None = None
    """Why the hop is slow; worked out after all the rest, which it never changes."""

    @property
    def why(self) -> Reason | None:
        """The cause inside the hop, where it was looked for and is likely enough to be named."""
        return None if self.inside is None else self.inside.named

    @property
    def near_line(self) -> bool:
        """Whether it is about the access line, alone or with what of the home stands at its end.

        Not where the home's own traffic is the likeliest in such a group.
        """
        at_line = bool(self.place) and self.elements[0] != Cause.OWN_TRAFFIC
        return at_line or self.cause is Cause.UPSTREAM_LINK


WHOLE_OUTAGE = 0.95
"""What loses so much of all that is sent over it lets as good as nothing through."""


def telling_order(verdict: Verdict) -> tuple[bool, bool, float]:
    """Of several that are ongoing: what somebody can fix before what nobody feels, what lets nothing through
    before what is slow, then the surest first."""
    nobody = verdict.cause in (Cause.AGENT_HOST, Cause.RESPONDER)
    loss = verdict.severity.loss_ratio if verdict.severity is not None else None
    return nobody, (loss or 0.0) < WHOLE_OUTAGE, -verdict.probability
