"""Builders of channels and modem readings."""

from collections.abc import Iterable
from typing import Any

from whichhop.model import Carrier, Channel, Direction, ModemLevels


def down(channel_id: int = 1, **facts: Any) -> Channel:
    """A healthy single-carrier downstream channel, with some facts changed."""
    base: dict[str, Any] = {
        "carrier": Carrier.SC_QAM,
        "frequency_hz": 501_000_000 + 6_000_000 * channel_id,
        "modulation": 256,
        "locked": True,
        "power_dbmv": 1.0,
        "mer_db": 41.0,
    }
    return Channel(direction=Direction.DOWN, channel_id=channel_id, **{**base, **facts})


def up(channel_id: int = 1, **facts: Any) -> Channel:
    """A healthy upstream channel, with some facts changed."""
    base: dict[str, Any] = {
        "carrier": Carrier.ATDMA,
        "frequency_hz": 24_000_000 + 6_400_000 * (channel_id - 1),
        "modulation": 64,
        "locked": True,
        "power_dbmv": 44.0,
    }
    return Channel(direction=Direction.UP, channel_id=channel_id, **{**base, **facts})


def reading(channels: Iterable[Channel], at_s: float = 0.0) -> ModemLevels:
    """A reading of the modem at a time."""
    return ModemLevels(node="modem", at_ns=round(at_s * 1e9), channels=tuple(channels))
