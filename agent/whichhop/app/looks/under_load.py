"""Latency under load, hop by hop: each session's round trips before and during one transfer."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from msgspec import Struct

from whichhop.app.stored.store_seconds import StoreSeconds
from whichhop.compare.windows.seconds import PATIENCE_S, Seconds
from whichhop.model import Home, derive_sessions
from whichhop.model.units import NS_PER_S
from whichhop.store.store import Store

BEFORE_S = 60
"""Seconds before the transfer that are held against it."""
GAP_S = 12
"""Before the data moves: a process starts, a stream of packets tells the delay without load."""
LEAST = 2


class HopLoad(Struct, frozen=True, kw_only=True):
    """One target's median round trips in seconds; None where too few of its packets were answered."""

    target: str
    before_s: float | None
    during_s: float | None


def _median_s(seconds: Seconds, place: int) -> float | None:
    rtt_s = seconds.rtt_s[:, place]
    rtt_s = rtt_s[np.isfinite(rtt_s)]
    return float(np.median(rtt_s)) if rtt_s.size >= LEAST else None


def loads_of(before: Seconds, during: Seconds) -> list[HopLoad]:
    """Each session of both spans by its target, in their order."""
    return [
        HopLoad(target=key.target, before_s=_median_s(before, place), during_s=_median_s(during, place))
        for place, key in enumerate(during.sessions)
    ]


def load_by_hop(store: Store, home: Home, node: str, result: dict[str, Any]) -> list[HopLoad]:
    """What a transfer's result, of the agent on `node`, did to that agent's sessions."""
    kept = set(store.sessions())
    keys = tuple(s.key for s in derive_sessions(home) if s.key.agent == node and s.key in kept)
    begin = int(result["start_ns"])
    during = max(1, int(float(result["seconds"])))
    source = StoreSeconds(store, keys)
    return loads_of(
        source(begin - (GAP_S + BEFORE_S) * NS_PER_S, begin - GAP_S * NS_PER_S),
        source(begin, begin + during * NS_PER_S),
    )


def load_words(result: dict[str, Any], hops: Sequence[HopLoad]) -> str:
    """Latency under load as the end of a sentence."""
    way = "upload" if result["way"] == "out" else "download"
    rate = f"{float(result['rate_bps']) / 1e6:.1f} Mbit/s"
    least = "at least " if result["limited"] else ""
    told = [_hop_words(hop) for hop in hops if hop.before_s is not None]
    if not told:
        return f"under a {way} of {least}{rate} no hop's latency could be told"
    return f"latency under load (bufferbloat), with a {way} of {least}{rate}: {', '.join(told)}"


def _hop_words(hop: HopLoad) -> str:
    before = f"{(hop.before_s or 0) * 1e3:.1f}"
    if hop.during_s is None:
        return f"{hop.target} {before} ms before, hardly an answer within {PATIENCE_S:g} s during"
    return f"{hop.target} {before} ms before, {hop.during_s * 1e3:.1f} ms during"
