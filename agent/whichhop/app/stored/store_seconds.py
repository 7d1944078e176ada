"""The seconds inside of ticks, from an open store, and which targets answered in none of them."""

from collections import OrderedDict
from dataclasses import dataclass, field

import numpy as np

from whichhop.compare.windows.filling import count_in, seconds_of
from whichhop.compare.windows.seconds import Seconds, SecondsSource
from whichhop.model import Home, Record, SessionKey, derive_sessions
from whichhop.model.units import NS_PER_S, minute_of
from whichhop.store.columns import session_columns
from whichhop.store.store import Store

HOUR_NS = 3600 * NS_PER_S
HOURS_HELD = 2
"""A look may lie over the end of an hour."""


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


@dataclass(slots=True)
class HourlySeconds:
    """Another source's seconds, taken by the hour: so they are packed, and a day asks in its order."""

    source: SecondsSource
    _held: "OrderedDict[int, Seconds]" = field(default_factory=OrderedDict)

    def __call__(self, start_ns: int, end_ns: int) -> Seconds:
        """The seconds of a span."""
        hours = range(start_ns // HOUR_NS, (end_ns - 1) // HOUR_NS + 1)
        parts = [self._hour(hour)(start_ns, end_ns) for hour in hours]
        if len(parts) == 1:
            return parts[0]
        return Seconds(
            sessions=parts[0].sessions,
            start_ns=parts[0].start_ns,
            sent=np.concatenate([p.sent for p in parts]),
            silent=np.concatenate([p.silent for p in parts]),
            rtt_s=np.concatenate([p.rtt_s for p in parts]),
        )

    def _hour(self, hour: int) -> Seconds:
        if hour not in self._held:
            self._held[hour] = self.source(hour * HOUR_NS, (hour + 1) * HOUR_NS)
            while len(self._held) > HOURS_HELD:
                self._held.popitem(last=False)
        return self._held[hour]


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
