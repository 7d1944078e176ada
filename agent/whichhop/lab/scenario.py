"""A scenario as data: a home, its links' natural behaviour, and a script of faults whose truth is known."""

from collections.abc import Iterable
from enum import StrEnum

from msgspec import Struct, field

from whichhop.model import Cause, Home


class FaultWay(StrEnum):
    """Which way a packet goes, seen from the home's devices."""

    UP = "up"
    DOWN = "down"
    BOTH = "both"


class Effect(Struct, frozen=True, kw_only=True):
    """What a link does to packets, on top of its natural behaviour. Every field at rest by default.

    delay_s, jitter_s: constant added one-way delay, and the mean of an exponential part on top of it.
    loss_ratio: independent loss. burst: (p, r) of the two-state chain that loses all in its bad state.
    reorder_ratio, duplicate_ratio: share of packets held back by one, or sent twice.
    contention_ratio: share of packets that find the radio channel busy (emulated: see lab/links/impairment).
    rate_bps: a lowered rate. outage: nothing passes.
    scan: (every_s, for_s) of a radio that leaves its channel to look at others. doze_s: pause between the
    beacons that wake a link's near end, which dozes. broken_pair: its ports fall back to 100 Mbit/s.
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
    scan: tuple[float, float] | None = None
    doze_s: float = 0.0
    broken_pair: bool = False
    way: FaultWay = FaultWay.BOTH


class Fault(Struct, frozen=True, kw_only=True):
    """An effect at one element for a time; `cause` is the truth that a verdict is held against.

    element: a link's name, or a pseudo-element such as "host:desk" (see compare's elements).
    """

    at_s: float
    for_s: float
    element: str
    cause: Cause
    effect: Effect


class Profile(StrEnum):
    """Where a paper home's natural behaviour comes from."""

    SIMULATED = "simulated"
    """Shapes of homes from memory."""
    MEASURED = "measured"
    """Fitted to published measurements, see the paper home's `measured`."""


class QuirkKind(StrEnum):
    """What happens in homes without being a fault of the network; only the paper floor plays these."""

    ABSENT = "absent"
    """element "host:AGENT": its records have not arrived; its machine is up and answers."""
    ASLEEP = "asleep"
    """element "host:AGENT": suspended; sends nothing and answers nothing."""
    BUSY = "busy"
    """element "host:AGENT": the agent's process is starved by `size` seconds on average."""
    STEAL = "steal"
    """element "host:AGENT": the whole machine is paused now and then, `size` seconds on average."""
    CLOCK_STEP = "clock-step"
    """element "host:AGENT": its clock is off by `size` seconds before the event and right after it."""
    POWER_SAVE = "power-save"
    """element "host:AGENT": its radio dozes; the first packet after idle comes 50 to 300 ms late."""
    RATE_LIMIT = "rate-limit"
    """element "reply:NODE": answers at most `size` echo requests a second, in sum over who asks."""
    ROUTE_CHANGE = "route-change"
    """element "destination:PEER": another route, `size` seconds of round trip longer."""
    TRAFFIC_UP = "traffic-up"
    """element "own-traffic": the home sends `size` of its plan."""
    TRAFFIC_DOWN = "traffic-down"
    """element "own-traffic": the home fetches `size` of its plan."""
    MAINS_NOISE = "mains-noise"
    """element LINK: an appliance disturbs a power line for a share `size` of each mains half-cycle."""


class Quirk(Struct, frozen=True, kw_only=True):
    """Something at one element for a time that a comparer must not take for a fault of the network."""

    at_s: float
    for_s: float
    kind: QuirkKind
    element: str
    size: float = 0.0


class LinkNature(Struct, frozen=True, kw_only=True):
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


class Scenario(Struct, frozen=True, kw_only=True):
    """A home, how its links behave, and what goes wrong when.

    natures: by link name; for peers also "destination:PEER", the way from the provider edge to it, and for
        boxes "reply:NODE", how long they take to answer.
    quirks, noise: for the paper floor. noise 1 adds each medium's natural disturbances, 0 leaves the
        natures alone as the namespace floor has them.
    profile: whose natural disturbances.
    counters: whether somebody reads the router's byte counters, each `counters_each_s` seconds.
    clocks_s: by agent, how far its clock is ahead, where it is not to be drawn.
    """

    name: str
    home: Home
    natures: dict[str, LinkNature] = field(default_factory=dict)
    faults: tuple[Fault, ...] = ()
    seconds: float = 120.0
    quirks: tuple[Quirk, ...] = ()
    noise: float = 0.0
    counters: bool = True
    profile: Profile = Profile.SIMULATED
    counters_each_s: int = 10
    clocks_s: dict[str, float] = field(default_factory=dict)


class Switching(Struct, frozen=True, kw_only=True):
    """At this many seconds from the start, a fault goes on or off; `number` is its place in the scenario."""

    at_s: float
    number: int
    on: bool
    fault: Fault


def switchings(faults: Iterable[Fault]) -> list[Switching]:
    """Every switching in order of time; what ends at an instant goes off before what begins there goes on."""
    out = []
    for number, fault in enumerate(faults):
        out.append(Switching(at_s=fault.at_s, number=number, on=True, fault=fault))
        out.append(Switching(at_s=fault.at_s + fault.for_s, number=number, on=False, fault=fault))
    return sorted(out, key=lambda s: (s.at_s, s.on))
