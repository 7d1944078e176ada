"""The seconds inside of ticks, from an open store, and which targets answered in none of them."""

from collections.abc import Iterator

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from whichhop.compare.windows.filling import count_in, seconds_of
from whichhop.compare.windows.seconds import Seconds
from whichhop.model import Home, Record, SessionKey, derive_sessions
from whichhop.model.units import NS_PER_S, minute_of
from whichhop.store.columns import session_columns
from whichhop.store.store import Store

HOUR_NS = 3600 * NS_PER_S
Samples = tuple[NDArray[np.int64], NDArray[np.uint8], NDArray[np.int64]]
"""When sent, in order, the fates and the round trips."""


class StoreSeconds(Struct, frozen=True):
    """A `SecondsSource` over a store that is open, and records that are not in it yet."""

    store: Store
    keys: tuple[SessionKey, ...]
    loose: tuple[Record, ...] = ()

    def __call__(self, start_ns: int, end_ns: int) -> Seconds:
        """The seconds of a span."""
        out = self.not_stored(start_ns, end_ns)
        count_in(out, dict(enumerate(self.samples(start_ns, end_ns))))
        return out

    def not_stored(self, start_ns: int, end_ns: int) -> Seconds:
        """Those of the records that are not in the store, room for the others before them."""
        keys = dict.fromkeys([*self.keys, *(r.session for r in self.loose)])
        return seconds_of(self.loose, list(keys), start_ns, end_ns)

    def samples(self, start_ns: int, end_ns: int) -> Iterator[Samples]:
        """What the store has of each session's minutes, which are others than those of loose records."""
        first, end = minute_of(start_ns), minute_of(end_ns - 1) + 1
        for key in self.keys:
            kept = session_columns(self.store, key, first, end, ("rtt_ns",))
            assert kept.rtt_ns is not None  # noqa: S101 - it was asked for
            yield kept.sent_ns, kept.fate, kept.rtt_ns


def _within(
    begin_ns: int, end_ns: int, sent_ns: NDArray[np.int64], fate: NDArray[np.uint8], rtt_ns: NDArray[np.int64]
) -> Samples:
    first, end = np.searchsorted(sent_ns, (begin_ns, end_ns)).tolist()
    return sent_ns[first:end], fate[first:end], rtt_ns[first:end]


class HourlySeconds(Struct):
    """The same of a store that nobody writes to meanwhile: read by the hour, for so it is packed, and looks
    follow each other in time. Only the seconds asked for are counted, which costs as much as reading."""

    source: StoreSeconds
    _held: tuple[int, list[Samples]] = (-1, [])

    def __call__(self, start_ns: int, end_ns: int) -> Seconds:
        """The seconds of a span."""
        out = self.source.not_stored(start_ns, end_ns)
        for hour in range(start_ns // HOUR_NS, (end_ns - 1) // HOUR_NS + 1):
            begin, stop = max(start_ns, hour * HOUR_NS), min(end_ns, (hour + 1) * HOUR_NS)
            within = {i: _within(begin, stop, *each) for i, each in enumerate(self._hour(hour, begin, stop))}
            count_in(out, within)
        return out

    def _hour(self, hour: int, begin_ns: int, end_ns: int) -> list[Samples]:
        """The hour's samples, where it is not packed those of a part of it."""
        source = self.source
        if self._held[0] != hour:
            if any(source.store.has_minutes(k, hour * 60, hour * 60 + 60) for k in source.keys[:1]):
                return list(source.samples(begin_ns, end_ns))
            # Let go of one before the next is read: a large home's is 7 MB.
            self._held = (-1, [])
            self._held = (hour, list(source.samples(hour * HOUR_NS, (hour + 1) * HOUR_NS)))
        return self._held[1]


def silent_targets(store: Store, home: Home, node: str, from_ns: int, to_ns: int) -> tuple[list[str], bool]:
    """Targets of one agent that answered nothing in a span, and whether none answered at all."""
    kept = set(store.sessions())
    keys = tuple(s.key for s in derive_sessions(home) if s.key.agent == node and s.key in kept)
    return silent_in(StoreSeconds(store, keys)(from_ns, to_ns))


def silent_in(seconds: Seconds) -> tuple[list[str], bool]:
    """The same of the seconds that were read."""
    answered = [bool(np.isfinite(seconds.rtt_s[:, place]).any()) for place in range(len(seconds.sessions))]
    silent = [key.target for key, heard in zip(seconds.sessions, answered, strict=True) if not heard]
    return list(dict.fromkeys(silent)), not any(answered)
