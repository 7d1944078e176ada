"""When a call stream sends: 50 packets a second for 10 s every 5 minutes, at a phase of its own. Pure.

It rides on the prober that the target understands (STAMP or echo) under Method.CALL's own session key, so
that its bursts never mix with the steady stream's samples.
"""

from msgspec import Struct

from whichhop.model.units import NS_PER_S, MonoNs

GAP_NS = NS_PER_S // 50
"""A voice codec's packet every 20 ms (RFC 3551 4.2)."""
STRETCH_NS = 10 * NS_PER_S
EVERY_NS = 300 * NS_PER_S


class CallStream(Struct, kw_only=True):
    """One session's stretches of packets.

    start_ns: when the first stretch begins; pass a random phase within EVERY_NS, so that agents do not send
    together. skipped: packets that could not be sent when due, never made up for in a burst.
    """

    start_ns: MonoNs
    gap_ns: int = GAP_NS
    stretch_ns: int = STRETCH_NS
    every_ns: int = EVERY_NS
    skipped: int = 0
    _number: int = 0

    def __post_init__(self) -> None:
        if not 0 < self.gap_ns <= self.stretch_ns <= self.every_ns:
            raise ValueError("a call stream needs 0 < gap <= stretch <= period")

    @property
    def per_stretch(self) -> int:
        """Packets in one stretch."""
        return self.stretch_ns // self.gap_ns

    def next_ns(self) -> MonoNs:
        """When the next packet is due."""
        stretch, packet = divmod(self._number, self.per_stretch)
        return MonoNs(self.start_ns + stretch * self.every_ns + packet * self.gap_ns)

    def due(self, now_ns: MonoNs) -> bool:
        """True when one packet is to be sent now; the next is then awaited.

        Packets whose time is past by a gap or more are skipped: the newest one due is sent in their stead.
        """
        if now_ns < self.next_ns():
            return False
        first = self._number
        elapsed = now_ns - self.start_ns
        stretch, within = divmod(elapsed, self.every_ns)
        packet = within // self.gap_ns
        if packet < self.per_stretch:
            self._number = stretch * self.per_stretch + packet + 1
            self.skipped += self._number - 1 - first
            return True
        # Between stretches: what is left of the last one is past, and nothing is due.
        self._number = (stretch + 1) * self.per_stretch
        self.skipped += self._number - first
        return False
