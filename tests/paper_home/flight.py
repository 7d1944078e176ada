"""Packets in flight: what has happened so far to every packet of some sessions over one chunk."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from msgspec import Struct

from paper_home.crossings import Rows
from whichhop.model import Session

Delays = npt.NDArray[np.float32]
NO_SAMPLE = 255
"""Stands where an agent sent nothing at all, so that there is no sample."""


class Flight(Struct):
    """Packets while they are being drawn; arrays [row, packet], seconds.

    true_s: when each was sent, by a clock that is right. aside: 0, a set-aside Fate, or NO_SAMPLE.
    twice: whether it arrived twice.
    """

    sessions: Sequence[Session]
    true_s: npt.NDArray[np.float64]
    out_s: Delays
    back_s: Delays
    lost_out: npt.NDArray[np.bool_]
    lost_back: npt.NDArray[np.bool_]
    aside: npt.NDArray[np.uint8]
    twice: npt.NDArray[np.bool_]
    rng: np.random.Generator

    @classmethod
    def start(
        cls, sessions: Sequence[Session], true_s: npt.NDArray[np.float64], rng: np.random.Generator
    ) -> "Flight":
        """Packets to which nothing has happened yet."""
        shape = true_s.shape
        return cls(
            sessions=sessions,
            true_s=true_s,
            out_s=np.zeros(shape, np.float32),
            back_s=np.zeros(shape, np.float32),
            lost_out=np.zeros(shape, bool),
            lost_back=np.zeros(shape, bool),
            aside=np.zeros(shape, np.uint8),
            twice=np.zeros(shape, bool),
            rng=rng,
        )

    def leg(self, back: bool) -> tuple[Delays, npt.NDArray[np.bool_]]:
        """Delay and loss of the leg out or back."""
        return (self.back_s, self.lost_back) if back else (self.out_s, self.lost_out)


class Packets(Struct):
    """What agents recorded of some sessions over one chunk; arrays [row, packet].

    rows: indices into the scenario's sessions. sent_s: seconds since the scenario's start, agent's clock.
    fate: Fate values or NO_SAMPLE. rtt_s: nan unless answered or late. out_s: forward delay with both
    clocks' disagreement (STAMP), else nan.
    """

    rows: Rows
    start_s: float
    interval_s: float
    sent_s: npt.NDArray[np.float64]
    fate: npt.NDArray[np.uint8]
    rtt_s: Delays
    out_s: Delays
    twice: npt.NDArray[np.bool_]
