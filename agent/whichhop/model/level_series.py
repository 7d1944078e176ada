"""A fact of one group of a modem's channels, hour by hour, before and after a change."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from whichhop.model.channel import Direction


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelSeries:
    """Hours are counted from the epoch, UTC.

    fact: a measure's name, such as "power_dbmv". before, after: the value of each hour; for counted facts the
    hits and the total instead. frequency_hz: the middle of the group, None where there is none. channels: how
    many stand behind it.
    """

    group: str
    direction: Direction
    fact: str
    channels: int = 1
    frequency_hz: float | None = None
    before: Mapping[int, float] = field(default_factory=dict)
    after: Mapping[int, float] = field(default_factory=dict)
    counts_before: Mapping[int, tuple[float, float]] = field(default_factory=dict)
    counts_after: Mapping[int, tuple[float, float]] = field(default_factory=dict)
