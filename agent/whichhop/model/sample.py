"""One packet's fate: when it was sent, and its round trip, or why there is none."""

from enum import IntEnum

import msgspec


class Fate(IntEnum):
    """What became of one test packet. The number is what the store keeps: never renumber."""

    ANSWERED = 0
    LATE = 1
    """Answered after the waiting time: lost by RFC 7680, its round trip kept and counted apart."""
    LOST = 2
    """Lost, in a direction the method cannot tell."""
    LOST_OUT = 3
    """Lost on the way to the target."""
    LOST_BACK = 4
    """Lost on the way back."""
    NOT_SENT = 8
    """Set aside: the send call failed or the queue was full, so the path was never asked."""
    ASLEEP = 9
    """Set aside: the machine was suspended meanwhile."""
    CLOCK_STEP = 10
    """Set aside: a clock stepped between the stamps."""
    BUSY = 11
    """Set aside: the agent itself was late or starved of processor."""
    REFUSED_KEY = 12
    """Set aside: the target refused to answer, since it has another key."""
    REFUSED_ADDRESS = 13
    """Set aside: the target refused to answer, since its home file does not name the address it saw."""
    REFUSED = 14
    """Set aside: the target refused to answer for another reason, such as too many packets at once."""

    __hash__ = int.__hash__  # an enumeration's own is Python code

    @property
    def lost(self) -> bool:
        """True when the network lost the packet (a late answer included); never for our own trouble."""
        return Fate.LATE <= self <= Fate.LOST_BACK

    @property
    def refused(self) -> bool:
        """True when the target said that it will not answer: the packet arrived, so nothing was lost."""
        return Fate.REFUSED_KEY <= self <= Fate.REFUSED

    @property
    def set_aside(self) -> bool:
        """True when the sample says nothing about the path."""
        return self >= Fate.NOT_SENT


class Sample(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """What one test packet saw; made for every packet, in a fifteenth of a dataclass's time.

    rtt_ns: round trip in ns less the reflector's own holding time (RFC 8762); None unless ANSWERED or LATE.
    out_ns: T2 - T1 in ns: forward delay plus the clocks' disagreement, so only its variation speaks;
        the way back is rtt_ns - out_ns. None where the method has no stamp of the far end.
    queue_ns: what the packet waited in the sender's own egress queue (software less scheduling stamp),
        already part of rtt_ns. None where the kernel does not tell.
    """

    sent_ns: int
    fate: Fate
    rtt_ns: int | None = None
    out_ns: int | None = None
    queue_ns: int | None = None
