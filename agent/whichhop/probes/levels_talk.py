"""What the process that reads a modem is asked, and what it answers."""

from dataclasses import dataclass

from whichhop.model.channel import Channel, DslLine
from whichhop.model.levels_source import LevelsSource


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelsRequest:
    """timeout_s: for each wait on the network."""

    source: LevelsSource
    timeout_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelsAnswer:
    """at_ns: when the levels were taken, where the source tells (a file); else they are of now."""

    channels: tuple[Channel, ...]
    dsl: tuple[DslLine, ...] = ()
    receive_dbm: float | None = None
    remarks: tuple[str, ...] = ()
    at_ns: int | None = None
    not_read: tuple[str, ...] = ()
