"""Codeword ratios from two readings of running counters: deltas, with wraps, resets and stalls told apart."""

from enum import StrEnum

from msgspec import Struct

from whichhop.model.channel import Channel

WRAP = 2**32
"""RFC 4546's Counter32; the Ext objects are Counter64 and do not wrap in practice."""

MOST_CODEWORDS_A_SECOND = 80_000.0
"""Above what one single-carrier channel can carry: 256-QAM in 8 MHz is 55.6 Mbit/s (ITU-T J.83 annex A)
in codewords of 204 octets, 34,000 a second; annex B, 42.9 Mbit/s in codewords of 128 seven-bit symbols,
48,000 a second. A larger rate cannot be a wrap."""


class CounterState(StrEnum):
    """What happened to a channel's counters between two readings."""

    RAN = "ran"
    WRAPPED = "wrapped"
    """A 32-bit counter passed its end once."""
    RESET = "reset"
    """The modem restarted; what it counted since then is used."""
    STALLED = "stalled"
    """No codeword was counted: the ratio is unknown, not zero."""
    UNKNOWABLE = "unknowable"
    """The readings are so far apart that a wrap and a reset cannot be told apart."""
    INCOMPLETE = "incomplete"
    """A counter is missing in one of the readings."""


class CodewordDelta(Struct, frozen=True, kw_only=True):
    """What one channel counted between two readings.

    total: all codewords, the three kinds together; ratios are None unless it is above zero.
    """

    channel: str
    seconds: float
    state: CounterState
    unerrored: int | None = None
    corrected: int | None = None
    uncorrectable: int | None = None

    @property
    def total(self) -> int | None:
        """Codewords of all three kinds, None when a counter is missing."""
        if self.unerrored is None or self.corrected is None or self.uncorrectable is None:
            return None
        return self.unerrored + self.corrected + self.uncorrectable

    @property
    def uncorrectable_ratio(self) -> float | None:
        """Uncorrectable of all codewords; RFC 4546 counts the three kinds apart, so they are summed."""
        total = self.total
        return self.uncorrectable / total if total and self.uncorrectable is not None else None

    @property
    def corrected_ratio(self) -> float | None:
        """Corrected of all codewords."""
        total = self.total
        return self.corrected / total if total and self.corrected is not None else None


def _fields(channel: Channel) -> tuple[int | None, int | None, int | None]:
    return channel.unerrored, channel.corrected, channel.uncorrectable


def codeword_delta(before: Channel, after: Channel, seconds: float) -> CodewordDelta:
    """What a channel counted in `seconds` (> 0) between two readings.

    Only the counter of good codewords is fast enough to wrap. When it alone fell, the wrapped difference
    must be a rate that one channel can carry; readings too far apart for that leave the count unknowable.
    Any other fall is a reset, and then the later values are what was counted since, wholly inside the span.
    """
    if seconds <= 0:
        raise ValueError(f"two readings need time between them, not {seconds} s")
    old, new = _fields(before), _fields(after)
    deltas = [None if o is None or n is None else n - o for o, n in zip(old, new, strict=True)]
    fell = [d is not None and d < 0 for d in deltas]
    if any(fell[1:]):
        return _since_reset(after, seconds)
    state = CounterState.RAN
    if fell[0]:
        most = MOST_CODEWORDS_A_SECOND * seconds
        turned = (deltas[0] or 0) + WRAP
        if most >= WRAP:
            state, deltas[0] = CounterState.UNKNOWABLE, None
        elif 0 <= turned <= most:
            state, deltas[0] = CounterState.WRAPPED, turned
        else:
            return _since_reset(after, seconds)
    elif None in deltas:
        state = CounterState.INCOMPLETE
    elif not any(deltas):
        state = CounterState.STALLED
    return CodewordDelta(
        channel=after.name,
        seconds=seconds,
        state=state,
        unerrored=deltas[0],
        corrected=deltas[1],
        uncorrectable=deltas[2],
    )


def _since_reset(after: Channel, seconds: float) -> CodewordDelta:
    return CodewordDelta(
        channel=after.name,
        seconds=seconds,
        state=CounterState.RESET,
        unerrored=after.unerrored,
        corrected=after.corrected,
        uncorrectable=after.uncorrectable,
    )


def count_delta(before: int | None, after: int | None) -> int | None:
    """What a small event counter (T3, T4) counted; after a reset, what it shows now; None when missing."""
    if before is None or after is None:
        return None
    return after - before if after >= before else after
