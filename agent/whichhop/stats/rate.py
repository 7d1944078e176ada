"""Counters of bytes and packets: wraps, restarts, stalls, too long a silence told apart; a running total."""

from enum import StrEnum

from msgspec import Struct


class Step(StrEnum):
    """What two readings of one counter say together."""

    COUNTED = "counted"
    WRAPPED = "wrapped"
    """Counted, across one pass through the counter's top."""
    RESTARTED = "restarted"
    """The counter began anew (ifCounterDiscontinuityTime changed, or it fell where no wrap explains it)."""
    UNKNOWABLE = "unknowable"
    """The readings are further apart than the counter's wrap time, so whole passes may be missing."""
    STALLED = "stalled"
    """No time passed between the readings, so no rate can be had."""


class CounterReading(Struct, frozen=True, kw_only=True):
    """One reading; `discontinuity` is RFC 2863's ifCounterDiscontinuityTime where the device gives it."""

    at_ns: int
    value: int
    discontinuity: int | None = None


class Delta(Struct, frozen=True, kw_only=True):
    """What was counted between two readings; `amount` is None where `step` forbids it."""

    step: Step
    seconds: float
    amount: int | None = None


def delta(
    before: CounterReading, after: CounterReading, *, bits: int, most_per_s: float | None = None
) -> Delta:
    """The counts between two readings of a counter of `bits` bits (32 or 64; RFC 2578 Counter32, Counter64).

    most_per_s: the fastest the counter can run (a line's rate / 8 for octets). With it, a span longer than
    the wrap time is UNKNOWABLE and a fall that would take more than that rate is a restart; without it a
    32-bit fall counts as one wrap. A 64-bit counter does not wrap within a lifetime (RFC 2863 3.1.6), so
    its fall is a restart. A reading outside the counter's range is a ValueError.
    """
    top = 2**bits
    for reading in (before, after):
        if not 0 <= reading.value < top:
            raise ValueError(f"counter value {reading.value} does not fit {bits} bits")
    seconds = (after.at_ns - before.at_ns) / 1e9
    if seconds <= 0:
        return Delta(step=Step.STALLED, seconds=seconds)
    if before.discontinuity != after.discontinuity:
        return Delta(step=Step.RESTARTED, seconds=seconds)
    if most_per_s is not None and seconds * most_per_s >= top:
        return Delta(step=Step.UNKNOWABLE, seconds=seconds)
    fell = after.value < before.value
    amount = (after.value - before.value) % top
    if fell and (bits >= 64 or (most_per_s is not None and amount > seconds * most_per_s)):
        return Delta(step=Step.RESTARTED, seconds=seconds)
    return Delta(step=Step.WRAPPED if fell else Step.COUNTED, seconds=seconds, amount=amount)


class RunningTotal(Struct):
    """Feed it readings of one counter; `value` grows by what was counted, anew from 0 where unknown.

    most_per_s: the fastest that the counter can run, where known (see rate.delta).
    """

    bits: int
    most_per_s: float | None = None
    value: int = 0
    _last: CounterReading | None = None

    def add(self, reading: CounterReading) -> Step | None:
        """What a reading says with the one before, None for the first. ValueError when out of range."""
        before, self._last = self._last, reading
        if before is None:
            return None
        found = delta(before, reading, bits=self.bits, most_per_s=self.most_per_s)
        if found.step is Step.STALLED:
            self._last = before
        elif found.amount is None:
            self.value = 0
        else:
            self.value += found.amount
        return found.step
