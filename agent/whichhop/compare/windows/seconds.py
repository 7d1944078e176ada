"""The seconds inside a few ticks: what each session sent in each, what was not answered in time, how fast."""

from collections.abc import Callable, Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from whichhop.model import SessionKey
from whichhop.model.units import NS_PER_S

PATIENCE_S = 1.0
"""An answer that takes longer counts as none here, so that nobody is waited for: well over what the slowest
lines take in health (a geostationary satellite's 0.6 s), a third of what a packet has until it is lost."""
PATIENCE_NS = round(PATIENCE_S * NS_PER_S)


class Seconds(Struct, frozen=True, kw_only=True):
    """Per second and session; every array has the shape (seconds, sessions).

    start_ns: UTC nanoseconds of the first second's begin. sent: packets sent, those set aside left out.
    silent: of them, those without an answer after PATIENCE_S. rtt_s: the median of the answered in seconds,
    NaN where there is none.
    """

    sessions: tuple[SessionKey, ...]
    start_ns: int
    sent: NDArray[np.uint8]
    silent: NDArray[np.uint8]
    rtt_s: NDArray[np.float32]

    @property
    def count(self) -> int:
        """How many seconds there are."""
        return int(self.sent.shape[0])

    def at_ns(self, second: int) -> int:
        """When a second begins."""
        return self.start_ns + int(second) * NS_PER_S

    def __call__(self, start_ns: int, end_ns: int) -> "Seconds":
        """Those of a span of whole seconds, as far as they are here, as views: a `SecondsSource`."""
        first, end = ((at - self.start_ns) // NS_PER_S for at in (start_ns, end_ns))
        cut = slice(max(0, first), max(0, end))
        return Seconds(
            sessions=self.sessions,
            start_ns=self.at_ns(cut.start),
            sent=self.sent[cut],
            silent=self.silent[cut],
            rtt_s=self.rtt_s[cut],
        )

    def picked(self, keys: Sequence[SessionKey]) -> "Seconds":
        """The same for these sessions in this order; one that is not there sent nothing."""
        place = {key: i for i, key in enumerate(self.sessions)}
        out = empty_seconds(keys, self.start_ns, self.count)
        here = [(j, place[key]) for j, key in enumerate(keys) if key in place]
        for name in ("sent", "silent", "rtt_s"):
            getattr(out, name)[:, [j for j, _ in here]] = getattr(self, name)[:, [i for _, i in here]]
        return out


SecondsSource = Callable[[int, int], Seconds]
"""Gives the seconds of a span (UTC ns, whole seconds), or as many of them as are kept."""


def empty_seconds(keys: Sequence[SessionKey], start_ns: int, count: int) -> Seconds:
    """Seconds in which nobody sent anything, the arrays to be filled in place."""
    shape = (count, len(keys))
    return Seconds(
        sessions=tuple(keys),
        start_ns=start_ns,
        sent=np.zeros(shape, dtype=np.uint8),
        silent=np.zeros(shape, dtype=np.uint8),
        rtt_s=np.full(shape, np.nan, dtype=np.float32),
    )
