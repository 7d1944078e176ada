"""A scenario as data: a home, its links' natural behaviour, and a script of faults whose truth is known."""

from dataclasses import dataclass, field
from enum import StrEnum

from whichhop.model import Cause, Home


class Way(StrEnum):
    """Which way a packet goes, seen from the home's devices."""

    UP = "up"
    DOWN = "down"
    BOTH = "both"


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """What a link does to packets, on top of its natural behaviour. Every field at rest by default.

    delay_s, jitter_s: constant added one-way delay, and the mean of an exponential part on top of it.
    loss_ratio: independent loss. burst: (p, r) of the two-state chain that loses all in its bad state.
    reorder_ratio, duplicate_ratio: share of packets held back by one, or sent twice.
    contention_ratio: share of packets that find the radio channel busy (emulated: see lab/impairment).
    rate_bps: a lowered rate. outage: nothing passes.
    """

    delay_s: float = 0.0
    jitter_s: float = 0.0
    loss_ratio: float = 0.0
    burst: tuple[float, float] | None = None
    reorder_ratio: float = 0.0
    duplicate_ratio: float = 0.0
    contention_ratio: float = 0.0
    rate_bps: int | None = None
    outage: bool = False
    way: Way = Way.BOTH


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """An effect at one element for a time; `cause` is the truth that a verdict is held against.

    element: a link's name, or a pseudo-element such as "host:desk" (see compare's elements).
    """

    at_s: float
    for_s: float
    element: str
    cause: Cause
    effect: Effect


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkNature:
    """A link's behaviour in health: one-way base delay, its spread, its loss and its rate.

    contention_ratio: as in Effect. rate_up_bps: the rate toward the provider where it is not `rate_bps`.
    """

    delay_s: float = 0.0005
    jitter_s: float = 0.0
    loss_ratio: float = 0.0
    contention_ratio: float = 0.0
    rate_bps: int | None = None
    rate_up_bps: int | None = None
    queue_s: float = 0.1
    """Depth of the queue before the rate limit, as time at full rate."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A home, how its links behave, and what goes wrong when."""

    name: str
    home: Home
    natures: dict[str, LinkNature] = field(default_factory=dict)
    faults: tuple[Fault, ...] = ()
    seconds: float = 120.0
