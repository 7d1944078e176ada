"""Interarrival jitter as RTP defines it, running: RFC 3550 6.4.1, in floating and in integer form."""

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(slots=True)
class Jitter:
    """RFC 3550 section 6.4.1: J grows by a sixteenth of |D| - J with every packet after the first.

    D is the difference of two packets' transit times, in order of arrival (not of sequence). A transit
    time is arrival less sending, in any one unit, and J has that unit; clocks need not agree, for a
    constant offset cancels. A lost packet is simply not fed: the next pairs with the last that arrived.
    No packet or one packet: `value` is 0 and `pairs` is 0, which a reader must take as unknown.
    """

    value: float = 0.0
    pairs: int = 0
    _last: float | None = None

    def update(self, transit: float) -> float:
        """Feeds one packet that arrived; gives J after it."""
        # A.8 leaves the first packet open: it only sets the transit that the second is compared with.
        if self._last is not None:
            self.value += (abs(transit - self._last) - self.value) / 16
            self.pairs += 1
        self._last = transit
        return self.value


def jitter_after_each(transits: Iterable[float]) -> list[float]:
    """J (RFC 3550 6.4.1) after every packet but the first; length n - 1, empty for none or one packet.

    transits: of the packets that arrived, in order of arrival; J has their unit. All lost is an empty input.
    """
    estimator = Jitter()
    after = [estimator.update(transit) for transit in transits]
    return after[1:]
