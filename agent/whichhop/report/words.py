"""Figures and instants as a reader needs them: sensible digits, intervals, zones; over a clock change."""

import math
from datetime import UTC, tzinfo
from typing import TYPE_CHECKING

from whichhop.model import Cause, Owner
from whichhop.model.figure_words import instant_words, probability_words, utc_of, zone_words
from whichhop.model.links import HOUSE_CABLING

if TYPE_CHECKING:  # the page in every agent needs the words, not a report's fifteen forms
    from whichhop.model.dossier import Claim, Figure

HARD = "\u00a0"
"""A blank at which no line ends, between a number and its unit."""
OWNERS = {
    Owner.HOME: "the home's own to fix",
    Owner.PROVIDER: f"the provider's to fix, or {HOUSE_CABLING}",
    Owner.PROVIDER_OR_FURTHER: "the provider's, or further out",
    Owner.TARGET: "the destination's",
    Owner.RESOLVER: "for whoever runs the name server",
    Owner.NOBODY: "nobody's: the measurements were disturbed or cannot tell",
}


NO_DELAY_S = 2e-4
"""An added delay under it is told as none."""


def percent(value: float | None) -> str:
    """A ratio as a percentage; a digit more under ten."""
    if value is None:
        return "not known"
    hundred = value * 100
    digits = 0 if hundred >= 99.95 or hundred == 0 else 1 if hundred >= 1 else 2
    return f"{hundred:.{digits}f}{HARD}%"


def at_most(unit: str, value: float) -> str:
    """An upper bound that does not pretend to be exact: a whole number of units, at least one."""
    scale, name = (100, "%") if unit == "ratio" else (1000, "ms")
    return f"{max(1, math.ceil(value * scale))}{HARD}{name}"


def millis(value: float | None) -> str:
    """Seconds as milliseconds."""
    if value is None:
        return "not known"
    ms = value * 1e3
    text = f"{ms:.0f}" if abs(ms) >= 100 else f"{ms:.1f}" if abs(ms) >= 1 else f"{ms:.2f}"
    return ("0" if float(text) == 0 else text) + f"{HARD}ms"


def rate(value: float | None) -> str:
    """Bits a second as megabits a second."""
    if value is None:
        return "not known"
    mega = value / 1e6
    return f"{mega:.0f}{HARD}Mbit/s" if mega >= 100 else f"{mega:.1f}{HARD}Mbit/s"


def shown(unit: str, value: float | None) -> str:
    """A value of a figure's unit."""
    return percent(value) if unit == "ratio" else millis(value) if unit == "s" else str(value)


def with_interval(figure: "Figure") -> str:
    """A figure with its 95 % interval where it has one."""
    text = shown(figure.unit, figure.value)
    if figure.value is None or figure.low is None or figure.high is None:
        return text
    return (
        f"{text} (95{HARD}% confidence interval {shown(figure.unit, figure.low)} to"
        f" {shown(figure.unit, figure.high)})"
    )


def figure(claim: "Claim", name: str) -> "Figure":
    """The claim's figure of that name; KeyError when there is none."""
    for one in claim.figures:
        if one.name == name:
            return one
    raise KeyError(name)


def probability(value: float) -> str:
    """A probability without claiming certainty."""
    return probability_words(value).replace(" %", f"{HARD}%")


def how_sure(claim: "Claim") -> str:
    """The claim's probability as that of what is said: of one cause, or of several and of each."""
    if claim.cause is not Cause.NOT_SEPARABLE:
        return f"probability of fault {probability(claim.probability)}"
    each = ", ".join(f"{name} {probability(p)}" for name, p in claim.shares if p >= LEAST_SHARE)
    whole = f"probability {probability(claim.probability)} that it is one of those that cannot be told apart"
    return f"{whole}; of these {each}" if each else whole


def whose(claim: "Claim") -> str:
    """Whose it is to fix; where that hangs on which of several it is, that it cannot be told."""
    if claim.cause is Cause.NOT_SEPARABLE and claim.owner is Owner.NOBODY:
        return "not determined yet whose it is to fix"
    return OWNERS[claim.owner]


LEAST_SHARE = 0.01
"""Less is not worth a reader's time."""


def day(at_ns: int, zone: tzinfo) -> str:
    """The day in the home's zone."""
    return f"{utc_of(at_ns).astimezone(zone):%Y-%m-%d}"


def utc(at_ns: int) -> str:
    """Day and time in UTC."""
    return f"{utc_of(at_ns):%Y-%m-%d %H:%M:%S} UTC"


def span(start_ns: int, end_ns: int, zone: tzinfo) -> str:
    """From and to in the home's zone; day and zone are said twice only when they differ."""
    a, b = (utc_of(t).astimezone(zone) for t in (start_ns, end_ns))
    if a.utcoffset() == b.utcoffset():
        until = f"{b:%H:%M:%S}" if a.date() == b.date() else f"{b:%Y-%m-%d %H:%M:%S}"
        return f"{a:%Y-%m-%d %H:%M:%S} to {until} {zone_words(a)}"
    return f"{instant_words(start_ns, zone)} to {instant_words(end_ns, zone)}"


def clock_span(start_ns: int, end_ns: int, zone: tzinfo) -> str:
    """From and to for a table whose caption names the zone: day and time, the day once where it can be."""
    a, b = (utc_of(t).astimezone(zone) for t in (start_ns, end_ns))
    until = f"{b:%H:%M:%S}" if a.date() == b.date() else f"{b:%m-%d %H:%M:%S}"
    return f"{a:%m-%d %H:%M:%S} to {until}"


def utc_span(start_ns: int, end_ns: int) -> str:
    """From and to in UTC."""
    return span(start_ns, end_ns, UTC)
