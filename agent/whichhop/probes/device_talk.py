"""What the daemon and the children that ask boxes tell each other: plain records that travel as JSON."""

from typing import Annotated

import msgspec
from msgspec import Meta, Struct

from whichhop.model.channel import Channel, DslLine
from whichhop.model.levels_source import CounterSource, LevelsSource
from whichhop.outside import INT64


class CountersRequest(msgspec.Struct, frozen=True, kw_only=True):
    """Read a source every `every_s` seconds, waiting `timeout_s` for each answer."""

    source: CounterSource
    every_s: float = 10.0
    timeout_s: float = 3.0


Ticks = Annotated[int, Meta(ge=0, lt=2**32)]


class Health(msgspec.Struct, frozen=True, kw_only=True):
    """How the box and the interface fare that are counted at; fields as in wire/mibs.py."""

    uptime_s: Annotated[float, Meta(ge=0, lt=2**32)] | None = None
    uptime_wraps: bool = True
    counts: tuple[Ticks | None, Ticks | None, Ticks | None, Ticks | None, Ticks | None, Ticks | None]
    discontinuity: int | None = None
    last_change: Ticks | None = None
    full_duplex: bool | None = None
    up: bool | None = None
    speed_bps: Annotated[int, Meta(gt=0, lt=2**60)] | None = None


class Count(msgspec.Struct, frozen=True, kw_only=True):
    """Octets as the device counts them, seen from the home: received from the provider, sent to it.

    health: with every sixth count, where the device is asked by SNMP.
    """

    received: int
    sent: int
    bits: int
    discontinuity: int | None = None
    speed_bps: int | None = None
    health: Health | None = None


class CountersSaid(msgspec.Struct, frozen=True, kw_only=True):
    """A line of the process that reads a router's counters."""

    failed: str | None = None
    count: Count | None = None
    at_ns: Annotated[int, Meta(ge=0, le=INT64)] = 0
    mono_ns: Annotated[int, Meta(ge=0, le=INT64)] = 0


class LevelsRequest(Struct, frozen=True, kw_only=True):
    """timeout_s: for each wait on the network."""

    source: LevelsSource
    timeout_s: float


class LevelsAnswer(Struct, frozen=True, kw_only=True):
    """at_ns: when the levels were taken, where the source tells (a file); else they are of now."""

    channels: tuple[Channel, ...]
    dsl: tuple[DslLine, ...] = ()
    receive_dbm: float | None = None
    remarks: tuple[str, ...] = ()
    at_ns: int | None = None
    not_read: tuple[str, ...] = ()
