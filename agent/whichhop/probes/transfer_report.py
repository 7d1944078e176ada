"""JSON lines from a process that moves data to whoever started it; progress a few times a second."""

import json
import sys
from typing import Any

from whichhop.net.clock import Clock

TELL_NS = 200_000_000


class Reporter:
    """`began` tells whether any data may have moved yet, and with it whether a failure cost anything."""

    def __init__(self, clock: Clock) -> None:
        self._clock, self._next_ns = clock, 0
        self.began = False

    def progress(self, seconds: float, octets: int) -> None:
        """So far."""
        self.began = True
        now = self._clock.mono_ns()
        if now >= self._next_ns:
            self._next_ns = now + TELL_NS
            self.tell(progress={"seconds": round(seconds, 2), "octets": octets})

    @staticmethod
    def tell(**message: Any) -> None:
        """One line to stdout."""
        sys.stdout.write(json.dumps(message) + "\n")
        sys.stdout.flush()
