"""What one transfer showed, and the bounded names under which its figures are kept as readings."""

from collections.abc import Iterator
from functools import lru_cache

from msgspec import Struct

from whichhop.model.record import Reading

DOWNLOADS = "downloads"
UPLOADS = "uploads"
"""What stands for the other end where the user's own URLs were fetched or filled."""
WIRE_SHARE = 1.1
"""Octets on the wire for one of payload: frame and headers (1538 / 1448) and the acknowledgements against
them (a frame of 90 octets for two segments); what limits and budgets count."""
BEGINS = "begins_s"
SECONDS = "seconds"
"""The two figures that tell when data moved: at its begin the longest that it may take, at its end how long
it did. The first lets live use know of a transfer while it runs, and of one that never told its end."""
STARTS_S = 5.0
"""Until the data moves: a process starts, connections are made, keys are proven."""
UPSTREAM = "upstream"
"""The word for "past the home": the user's URLs, or the peers' agents where there are none."""


class Lease(Struct, frozen=True, kw_only=True):
    """Who may move data until when (UTC ns), at most how many octets on the wire, charged to which day.

    day: the home's date, ISO 8601. used: octets it came to, once it was returned; None charges all of it.
    """

    number: str
    who: str
    day: str
    until_ns: int
    octets: int
    used: int | None = None

    @property
    def charged(self) -> int:
        """What it takes of its day's budget; more than was reserved is charged too, as the truth."""
        return self.octets if self.used is None else self.used


class TransferFigure(Struct, frozen=True, kw_only=True):
    """What a reading of a transfer is called: transfer_WAY_NAME:OTHER."""

    way: str
    name: str
    other_end: str


@lru_cache(maxsize=1024)
def figure_of(reading_name: str) -> TransferFigure | None:
    """The parts of a reading's name; None for a reading that is no transfer's."""
    name, _, other_end = reading_name.partition(":")
    head, _, rest = name.partition("_")
    way, _, figure = rest.partition("_")
    if head != "transfer" or way not in ("out", "back") or not figure or not other_end:
        return None
    return TransferFigure(way=way, name=figure, other_end=other_end)


def begin_reading(*, at_ns: int, agent: str, other_end: str, way: str, limit_s: float) -> Reading:
    """Kept when one direction begins, so that what it does to other sessions is known at once."""
    name = f"transfer_{way}_{BEGINS}:{other_end}"
    return Reading(at_ns=at_ns, agent=agent, name=name, value=limit_s + STARTS_S)


class UnderLoad(Struct, frozen=True, kw_only=True):
    """Round trips of a stream of 20 packets a second before, during and after a transfer, seconds.

    *_s: medians; None where nothing was answered. lost of sent: during the transfer. trips_per_minute:
    60 / mean of the lower 95 % of this stream's round trips (trimmed as the responsiveness draft does).
    """

    target: str
    before_s: float | None
    during_s: float | None
    during_p95_s: float | None
    after_s: float | None
    sent: int
    lost: int
    trips_per_minute: float | None

    @property
    def added_s(self) -> float | None:
        """Median round trip during the transfer less the one before it."""
        if self.before_s is None or self.during_s is None:
            return None
        return self.during_s - self.before_s


class RoundTrips(Struct, frozen=True, kw_only=True):
    """Round trips a minute under load by fresh connections (foreign), the loaded one (loaded) and both.

    Means in ms over the probes' steps, None for one that was not made; probes: how many answered in full.
    stable: whether rate and round trips held still as the draft asks; False too when it was too short.
    """

    overall_per_minute: float
    foreign_per_minute: float
    loaded_per_minute: float
    tcp_ms: float
    tls_ms: float | None
    http_ms: float
    loaded_ms: float
    probes: int
    failed: int
    stable: bool


class TransferResult(Struct, frozen=True, kw_only=True):
    """One direction of one transfer. way: "out" from the agent, "back" to it.

    rate_bps: what the path carried, TCP payload. steady: whether it settled within 2 %. limited: what held it
    back other than the path, "" for the path itself; with a limit the path carries at least the rate.
    received_bps: what the receiving program got, mean after slow start. wire_octets: what it cost.
    efficiency, time_ratio, buffer_delay: RFC 6349's metrics; base_rtt_s, mean_rtt_s: TCP's own round trips.
    """

    agent: str
    other_end: str
    way: str
    start_ns: int
    seconds: float
    streams: int
    rate_bps: float
    steady: bool
    spread: float
    limited: str
    octets: int
    wire_octets: int
    ended: str
    received_bps: float | None = None
    efficiency: float | None = None
    time_ratio: float | None = None
    buffer_delay: float | None = None
    base_rtt_s: float | None = None
    mean_rtt_s: float | None = None
    load: UnderLoad | None = None
    round_trips: RoundTrips | None = None

    @property
    def at_least(self) -> bool:
        """True when the path was not what limited the rate."""
        return bool(self.limited)

    def readings(self) -> Iterator[Reading]:
        """What is kept: transfer_WAY_FIGURE:OTHER at the transfer's end; bounded by the home file."""
        at = self.start_ns + round(self.seconds * 1e9)
        load = self.load
        figures: dict[str, float | None] = {
            "rate_bps": self.rate_bps,
            "at_least": float(self.at_least),
            "bytes": float(self.wire_octets),
            "seconds": self.seconds,
            "efficiency_ratio": self.efficiency,
            "time_ratio": self.time_ratio,
            "buffer_delay_ratio": self.buffer_delay,
            "base_rtt_s": self.base_rtt_s,
            "added_delay_s": load.added_s if load else None,
            "loss_ratio": load.lost / load.sent if load and load.sent else None,
            "trips_per_minute": load.trips_per_minute if load else None,
            "round_trips_per_minute": self.round_trips.overall_per_minute if self.round_trips else None,
        }
        for figure, value in figures.items():
            if value is not None:
                name = f"transfer_{self.way}_{figure}:{self.other_end}"
                yield Reading(at_ns=at, agent=self.agent, name=name, value=float(value))
        if self.way == "out" and self.efficiency is not None:
            # RFC 6349 4.2: efficiency is what was sent less what was sent again, of what was sent.
            again = f"transfer_retransmitted_share:{self.other_end}"
            yield Reading(at_ns=at, agent=self.agent, name=again, value=1 - self.efficiency)
