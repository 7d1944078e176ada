"""Turns a modem's reading into stored readings and metric rows, and stored readings back into it."""

from collections.abc import Iterable

from msgspec import Struct

from whichhop.model.channel import MULTI_CARRIER, Carrier, Channel, Direction, DslLine, ModemLevels
from whichhop.model.record import Reading

PREFIX = "levels/"
"""Names are "levels/NODE/CHANNEL/FACT": bounded by the modem's channels, 8-bit ids in each direction."""

_NUMBERS = (
    "frequency_hz",
    "width_hz",
    "modulation",
    "power_dbmv",
    "mer_db",
    "unerrored",
    "corrected",
    "uncorrectable",
    "t3_timeouts",
    "t4_timeouts",
)
_DSL = ("margin_db", "attenuation_db", "rate_bps", "attainable_bps")
_LIGHT = "optical"
_DECIBELS = frozenset({"power_dbmv", "mer_db"})


def to_readings(levels: ModemLevels, agent: str) -> tuple[Reading, ...]:
    """One stored value per channel and fact that the modem told.

    The carrier is kept for single carriers upstream, where the channel's name does not give it.
    """
    out = []
    for channel in levels.channels:
        head = f"{PREFIX}{levels.node}/{channel.name}/"
        facts: dict[str, float] = {}
        for name in _NUMBERS:
            value = getattr(channel, name)
            if value is not None:
                facts[name] = float(value)
        if channel.locked is not None:
            facts["locked"] = float(channel.locked)
        facts["carrier"] = float(list(Carrier).index(channel.carrier))
        out += [
            Reading(at_ns=levels.at_ns, agent=agent, name=head + name, value=v) for name, v in facts.items()
        ]
    start = f"{PREFIX}{levels.node}/"
    for line in levels.dsl:
        values = ((n, getattr(line, n)) for n in _DSL)
        out += [
            Reading(at_ns=levels.at_ns, agent=agent, name=f"{start}dsl-{line.direction}/{n}", value=v)
            for n, v in values
            if v is not None
        ]
    if levels.receive_dbm is not None:
        name = f"{start}{_LIGHT}/receive_dbm"
        out.append(Reading(at_ns=levels.at_ns, agent=agent, name=name, value=levels.receive_dbm))
    return tuple(out)


def _channel(name: str, facts: dict[str, float]) -> Channel | None:
    direction, _, rest = name.partition("-")
    ident = rest.rpartition("-")[2]
    code = int(facts.get("carrier", -1.0))
    carriers = list(Carrier)
    if direction not in list(Direction) or not ident.isdigit() or not 0 <= code < len(carriers):
        return None
    values = {n: (facts[n] if n in _DECIBELS else int(facts[n])) for n in _NUMBERS if n in facts}
    return Channel(
        direction=Direction(direction),
        channel_id=int(ident),
        carrier=carriers[code],
        locked=bool(facts["locked"]) if "locked" in facts else None,
        **values,  # type: ignore[arg-type] # each fact has its own number type, chosen above
    )


def _order(channel: Channel) -> tuple[bool, bool, int]:
    """Down before up, single carriers before many, then by id: a store hands names back in no such order."""
    return channel.direction is Direction.UP, channel.carrier in MULTI_CARRIER, channel.channel_id


def from_readings(readings: Iterable[Reading]) -> tuple[ModemLevels, ...]:
    """Stored values back to whole readings of each modem, oldest first; other readings are passed over."""
    found: dict[tuple[int, str], dict[str, dict[str, float]]] = {}
    for reading in readings:
        if not reading.name.startswith(PREFIX):
            continue
        node, channel, fact = reading.name[len(PREFIX) :].rsplit("/", 2)
        found.setdefault((reading.at_ns, node), {}).setdefault(channel, {})[fact] = reading.value
    out = []
    for (at_ns, node), rows in sorted(found.items()):
        channels = sorted(
            (c for n, facts in rows.items() if (c := _channel(n, facts)) is not None), key=_order
        )
        dsl = [DslLine(direction=w, **rows[f"dsl-{w}"]) for w in Direction if f"dsl-{w}" in rows]
        light = rows.get(_LIGHT, {}).get("receive_dbm")
        out.append(
            ModemLevels(node=node, at_ns=at_ns, channels=tuple(channels), dsl=tuple(dsl), receive_dbm=light)
        )
    return tuple(out)


class MetricRow(Struct, frozen=True, kw_only=True):
    """A value to export. name: base unit, without the project's prefix; total: True for a running count."""

    name: str
    labels: tuple[tuple[str, str], ...]
    value: float
    total: bool = False


def metric_rows(levels: ModemLevels) -> tuple[MetricRow, ...]:
    """A reading as metric rows, labels bounded by the modem's own channels."""
    out = []
    for c in levels.channels:
        labels = (("node", levels.node), ("direction", str(c.direction)), ("channel", c.name))
        gauges = (
            ("modem_power_dbmv", c.power_dbmv),
            ("modem_snr_db", c.mer_db),
            ("modem_frequency_hertz", c.frequency_hz),
            ("modem_locked", None if c.locked is None else float(c.locked)),
        )
        out += [MetricRow(name=n, labels=labels, value=float(v)) for n, v in gauges if v is not None]
        kinds = (("unerrored", c.unerrored), ("corrected", c.corrected), ("uncorrectable", c.uncorrectable))
        out += [
            MetricRow(name="modem_codewords", labels=(*labels, ("outcome", k)), value=float(v), total=True)
            for k, v in kinds
            if v is not None
        ]
        timers = (("t3", c.t3_timeouts), ("t4", c.t4_timeouts))
        out += [
            MetricRow(
                name="modem_ranging_timeouts", labels=(*labels, ("timer", k)), value=float(v), total=True
            )
            for k, v in timers
            if v is not None
        ]
    for line in levels.dsl:
        way = (("node", levels.node), ("direction", str(line.direction)))
        facts = (
            ("dsl_margin_db", line.margin_db),
            ("dsl_attenuation_db", line.attenuation_db),
            # bits are told as bytes in metrics
            ("dsl_rate_bytes_per_second", None if line.rate_bps is None else line.rate_bps / 8),
        )
        out += [MetricRow(name=n, labels=way, value=v) for n, v in facts if v is not None]
    if levels.receive_dbm is not None:
        out.append(
            MetricRow(name="optical_receive_dbm", labels=(("node", levels.node),), value=levels.receive_dbm)
        )
    return tuple(out)
