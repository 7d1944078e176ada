"""A clock for tests of what waits: it stands where it is put."""

from whichhop.model.units import MonoNs, UtcNs
from whichhop.net.clock import SystemClock


class StandingClock(SystemClock):
    """Set `now_ns`; both of its times follow."""

    def __init__(self, now_ns: int) -> None:
        self.now_ns = now_ns

    def utc_ns(self) -> UtcNs:
        return UtcNs(self.now_ns)

    def mono_ns(self) -> MonoNs:
        return MonoNs(self.now_ns)
