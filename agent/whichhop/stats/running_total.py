"""A total that only grows, from a counter that wraps, restarts or stands still. Plain arithmetic."""

from dataclasses import dataclass

from whichhop.stats.rate import CounterReading, Step, delta


@dataclass(slots=True)
class RunningTotal:
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
