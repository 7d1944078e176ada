"""What counters tell of one hop at one moment, and the names of the readings that carry it. Pure.

A fact travels as a `Reading` whose name is FIELD:NEIGHBOUR, FIELD being a field of `HopFacts` and NEIGHBOUR
the node that the asked interface leads to; a fact of a box as a whole is named FIELD:BOX, and one of another
box's interface FIELD:BOX/NEIGHBOUR. Readings of one agent, neighbour and moment make one record. What nobody
told is None, never zero.
"""

from collections.abc import Iterable

from msgspec import Struct
from msgspec.structs import fields

from whichhop.model.home import Home
from whichhop.model.record import Reading

HOP = "route_hop"
"""Readings are named "route_hop:TARGET/STEP/ADDRESS": the step with two digits, "-" for a silent one. The
value is the fastest answer in seconds, 0 for silence."""
SILENT = "-"


class HopFacts(Struct, frozen=True, kw_only=True):
    """Facts of the hop between two nodes as one of them tells, or of one box by itself.

    agent: who read it. other: the node at the far end, or the box that was asked. link: the home's link
    between the two; empty where the fact is a box's own. at_ns: when it was read, UTC. Shares are 0 to 1.
    Counts and shares are of the time since the reading before, a counter that went back or wrapped makes
    them None.
    """

    agent: str
    other: str
    link: str
    at_ns: int
    box: str = ""
    """Whose end of the hop it is, where the agent asked another box about it."""

    radio_signal_dbm: float | None = None
    """Received from the far end."""
    radio_noise_dbm: float | None = None
    """Noise of the channel in use."""
    radio_rate_bps: float | None = None
    radio_receive_rate_bps: float | None = None
    """Link rates as the radio sends to and receives from the far end now."""
    radio_width_mhz: float | None = None
    radio_streams: float | None = None
    radio_frequency_mhz: float | None = None
    """Centre of the primary channel in use."""
    radio_busy_share: float | None = None
    """Time in which the channel was sensed busy, by anybody, of the time on the channel."""
    radio_receive_share: float | None = None
    """Time in which the radio received anything it could read, strangers' frames of the channel included."""
    radio_own_receive_share: float | None = None
    """Time in which it received frames of its own network; not every driver tells."""
    radio_transmit_share: float | None = None
    """Time in which the radio itself sent."""
    radio_retry_share: float | None = None
    """Sendings again of all sendings to the far end."""
    radio_failed_share: float | None = None
    """Frames given up after all retries, of the frames to be sent."""
    radio_beacons_lost: float | None = None
    """How often the far end's beacons went missing."""
    radio_connected_s: float | None = None
    """How long the two have been joined without a break; less than before: they parted meanwhile."""
    radio_power_save: float | None = None
    """1 where the radio dozes between packets, else 0."""

    port_speed_bps: float | None = None
    port_full_duplex: float | None = None
    """Negotiated; 1 or 0."""
    port_able_bps: float | None = None
    """The fastest that this port can do."""
    port_partner_able_bps: float | None = None
    """The fastest that the far end's port says it can do."""
    port_frames: float | None = None
    """Frames received and sent: what an error count is held against."""
    port_errors: float | None = None
    """Frames received or sent in error (checksum, alignment, length; carrier)."""
    port_dropped: float | None = None
    port_carrier_changes: float | None = None
    """How often the carrier came or went."""

    own_receive_bps: float | None = None
    own_send_bps: float | None = None
    """What crossed the agent's interface toward the far end, or the box's ports, in all."""
    transfer_retransmitted_share: float | None = None
    """Segments sent again of those our own TCP transfers sent to the far end."""

    node_uptime_s: float | None = None
    """Since the box started; less than before: it restarted meanwhile."""
    node_processor_share: float | None = None
    node_temperature_c: float | None = None


_WHERE = ("agent", "other", "link", "at_ns", "box")
FACT_NAMES = tuple(f.name for f in fields(HopFacts) if f.name not in _WHERE)
"""The names of readings that are facts of a hop, without the neighbour behind the colon."""


def readings_of(facts: HopFacts) -> list[Reading]:
    """The facts as readings; what is None is left out."""
    told = ((name, getattr(facts, name)) for name in FACT_NAMES)
    place = f"{facts.box}/{facts.other}" if facts.box else facts.other
    return [
        Reading(at_ns=facts.at_ns, agent=facts.agent, name=f"{name}:{place}", value=value)
        for name, value in told
        if value is not None
    ]


def facts_of(home: Home, readings: Iterable[Reading]) -> tuple[HopFacts, ...]:
    """The facts among some readings, oldest first; those of nodes the home does not have are passed over."""
    links = {frozenset((link.near, link.far)): link.name for link in home.links}
    told: dict[tuple[int, str, str, str], dict[str, float]] = {}
    for reading in readings:
        name, _, place = reading.name.partition(":")
        if name in FACT_NAMES:
            box, _, other = place.rpartition("/")
            if other in home.nodes and (not box or box in home.nodes):
                told.setdefault((reading.at_ns, reading.agent, other, box), {})[name] = reading.value
    return tuple(
        HopFacts(
            agent=agent,
            other=other,
            link=links.get(frozenset((box or agent, other)), ""),
            at_ns=at_ns,
            box=box,
            **values,
        )
        for (at_ns, agent, other, box), values in sorted(told.items())
    )


PORT_SPEED = "port_speed_bps"
FULL_DUPLEX = "port_full_duplex"
"""1 or 0."""
RADIO_RATE = "radio_rate_bps"
RADIO_RECEIVE = "radio_receive_rate_bps"
"""Link rates as the radio sends to and receives from the neighbour now."""
RADIO_SIGNAL = "radio_signal_dbm"
OF_LINKS = (PORT_SPEED, FULL_DUPLEX, RADIO_RATE, RADIO_RECEIVE, RADIO_SIGNAL)


def hop_name(target: str, step: int, address: str) -> str:
    """What stands behind "route_hop:" in the name of a reading."""
    return f"{target}/{step:02}/{address}"
