"""The seconds inside of ticks, from an open store."""

from dataclasses import dataclass

from whichhop.compare.windows.second_counts import count_in, seconds_of
from whichhop.compare.windows.seconds import Seconds
from whichhop.model import Record, SessionKey
from whichhop.model.units import minute_of
from whichhop.store.columns import session_columns
from whichhop.store.store import Store


@dataclass(frozen=True, slots=True)
class StoreSeconds:
    """A `SecondsSource` over a store that is open, and records that are not in it yet."""

    store: Store
    keys: tuple[SessionKey, ...]
    loose: tuple[Record, ...] = ()

    def __call__(self, start_ns: int, end_ns: int) -> Seconds:
        """The seconds of a span."""
        first, end = minute_of(start_ns), minute_of(end_ns - 1) + 1
        keys = dict.fromkeys([*self.keys, *(r.session for r in self.loose)])
        out = seconds_of(self.loose, list(keys), start_ns, end_ns)
        for place, key in enumerate(self.keys):  # of other minutes than the loose ones, so of other seconds
            kept = session_columns(self.store, key, first, end, ("rtt_ns",))
            assert kept.rtt_ns is not None  # noqa: S101 - it was asked for
            count_in(out, place, kept.sent_ns, kept.fate, kept.rtt_ns)
        return out
