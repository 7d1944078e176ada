"""Processor time of the daemon with twenty sessions at one packet a second, as a share of one core."""

from collections.abc import Iterator

from bench.daemon_load import load
from bench.figure import Figure


def run() -> Iterator[Figure]:
    found = load()
    value = round(100 * found.core, 2)
    beside = {
        "children": round(100 * found.children_core, 2),
        "packets-per-s": round(found.packets_per_s, 2),
    }
    yield Figure(
        bench="daemon-cpu", value=value, unit="% of a core", target=1.0, ok=value <= 1.0, beside=beside
    )
