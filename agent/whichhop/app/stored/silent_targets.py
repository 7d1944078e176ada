"""Targets of which no packet came back: nothing is determined about what lies on the way to them."""

import numpy as np

from whichhop.app.stored.store_seconds import StoreSeconds
from whichhop.compare.windows.seconds import Seconds
from whichhop.model import Home, derive_sessions
from whichhop.store.store import Store


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
