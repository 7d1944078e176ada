"""Compares modem readings before and after a change to the cabling, channel by channel."""

from collections.abc import Sequence
from statistics import median

from msgspec import Struct

from whichhop.model.channel import Channel, Direction, ModemLevels

READING_STEP_DB = 0.5
"""Modems' levels wander by about this much by themselves over a day (temperature, regulation): practice."""


class ChannelChange(Struct, frozen=True, kw_only=True):
    """One channel before and after, dBmV and dB."""

    channel: str
    power_db: float
    mer_db: float | None


class LevelChange(Struct, frozen=True, kw_only=True):
    """One direction before and after. power_db: median change over the channels, with the extremes."""

    direction: Direction
    rows: tuple[ChannelChange, ...]
    power_db: float
    lowest_db: float
    highest_db: float
    mer_db: float | None
    words: str


def _medians(readings: Sequence[ModemLevels], direction: Direction) -> dict[str, tuple[float, float | None]]:
    """Each channel's median power and SNR over several readings."""
    powers: dict[str, list[float]] = {}
    mers: dict[str, list[float]] = {}
    for reading in readings:
        for channel in reading.direction(direction):
            if channel.locked is not False and channel.power_dbmv is not None:
                powers.setdefault(channel.name, []).append(channel.power_dbmv)
                if channel.mer_db is not None:
                    mers.setdefault(channel.name, []).append(channel.mer_db)
    return {n: (median(p), median(mers[n]) if n in mers else None) for n, p in powers.items()}


def level_changes(before: Sequence[ModemLevels], after: Sequence[ModemLevels]) -> tuple[LevelChange, ...]:
    """The change per direction over channels that both sides hold; a direction without any is left out."""
    out = []
    for direction in Direction:
        old, new = _medians(before, direction), _medians(after, direction)
        rows = []
        for name, (power, mer) in new.items():
            if name in old:
                was_power, was_mer = old[name]
                change = mer - was_mer if mer is not None and was_mer is not None else None
                rows.append(ChannelChange(channel=name, power_db=power - was_power, mer_db=change))
        if not rows:
            continue
        powers = [r.power_db for r in rows]
        mers = [r.mer_db for r in rows if r.mer_db is not None]
        middle = median(powers)
        out.append(
            LevelChange(
                direction=direction,
                rows=tuple(rows),
                power_db=middle,
                lowest_db=min(powers),
                highest_db=max(powers),
                mer_db=median(mers) if mers else None,
                words=_words(direction, middle, min(powers), max(powers), len(powers)),
            )
        )
    return tuple(out)


def _words(direction: Direction, middle: float, low: float, high: float, count: int) -> str:
    name = "downstream power" if direction is Direction.DOWN else "upstream transmit power"
    if abs(middle) <= READING_STEP_DB:
        return f"{name} did not change (median {middle:+.1f} dB over {count} channels)"
    how = "rose" if middle > 0 else "fell"
    good = (middle > 0) == (direction is Direction.DOWN)
    meaning = "less loss on the way" if good else "more loss on the way"
    span = f"median of {count} channels, {low:+.1f} to {high:+.1f} dB"
    return f"{name} {how} by {abs(middle):.1f} dB ({span}): {meaning}"


def channel_row(channel: Channel) -> dict[str, str | int | float | bool | None]:
    """A channel as flat values for tables and JSON."""
    return {
        "name": channel.name,
        "direction": str(channel.direction),
        "channel_id": channel.channel_id,
        "carrier": str(channel.carrier),
        "frequency_hz": channel.frequency_hz,
        "width_hz": channel.width_hz,
        "modulation": channel.modulation,
        "locked": channel.locked,
        "power_dbmv": channel.power_dbmv,
        "mer_db": channel.mer_db,
        "unerrored": channel.unerrored,
        "corrected": channel.corrected,
        "uncorrectable": channel.uncorrectable,
        "t3_timeouts": channel.t3_timeouts,
        "t4_timeouts": channel.t4_timeouts,
    }
