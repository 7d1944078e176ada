"""What the daemon and the process that reads counters tell each other: plain records that travel as JSON."""

import msgspec

from whichhop.model.counter_source import CounterSource


class CountersRequest(msgspec.Struct, frozen=True, kw_only=True):
    """Read a source every `every_s` seconds, waiting `timeout_s` for each answer."""

    source: CounterSource
    every_s: float = 10.0
    timeout_s: float = 3.0


class Count(msgspec.Struct, frozen=True, kw_only=True):
    """Octets as the device counts them, seen from the home: received from the provider, sent to it."""

    received: int
    sent: int
    bits: int
    discontinuity: int | None = None
    speed_bps: int | None = None
