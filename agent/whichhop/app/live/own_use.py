"""The home's own traffic of the last minute for the bulletin, and by which devices where that is known."""

from collections.abc import Iterable

from whichhop.model import Reading
from whichhop.model.bulletin import DEVICE_DOWN, DEVICE_UP, DeviceUse, OwnUse
from whichhop.model.units import NS_PER_S
from whichhop.store.store import Store

LATELY_NS = 60 * NS_PER_S
LEAST_NS = 8 * NS_PER_S
"""Counts come every ten seconds; two that are closer are one that came late."""
DEVICE_LATELY_NS = 35 * NS_PER_S
"""The last three looks at the connections."""


def own_use(store: Store, now_ns: int) -> OwnUse | None:
    """None where nobody counts the home's own traffic."""
    counts = list(store.readings_like("wan_", from_ns=now_ns - LATELY_NS, to_ns=now_ns + NS_PER_S))
    down, up = (_rate([r for r in counts if r.name == name]) for name in ("wan_rx_bytes", "wan_tx_bytes"))
    if down is None or up is None:
        return None
    seen = store.readings_like("device_", from_ns=now_ns - DEVICE_LATELY_NS, to_ns=now_ns + NS_PER_S)
    return OwnUse(down_bps=down, up_bps=up, devices=tuple(_devices(seen)))


def _rate(counts: list[Reading]) -> float | None:
    """Bit/s from a counter's first and last reading; one that began again in between tells nothing."""
    if len(counts) < 2:
        return None
    first, last = counts[0], counts[-1]
    moved, took_ns = last.value - first.value, last.at_ns - first.at_ns
    if first.agent != last.agent or moved < 0 or took_ns < LEAST_NS:
        return None
    return 8 * moved / took_ns * NS_PER_S


def _devices(seen: Iterable[Reading]) -> list[DeviceUse]:
    """Each device's mean over the looks in which anybody was told, the busiest first."""
    sums: dict[str, dict[str, float]] = {}
    looks: dict[int, None] = {}
    for reading in seen:
        kind, _, name = reading.name.partition(":")
        if kind in (DEVICE_DOWN, DEVICE_UP):
            looks[reading.at_ns // (5 * NS_PER_S)] = None
            ways = sums.setdefault(name, {})
            ways[kind] = ways.get(kind, 0.0) + reading.value
    found = [
        DeviceUse(
            name=n, down_bps=w.get(DEVICE_DOWN, 0.0) / len(looks), up_bps=w.get(DEVICE_UP, 0.0) / len(looks)
        )
        for n, w in sums.items()
    ]
    return sorted(found, key=lambda d: -max(d.down_bps, d.up_bps))
