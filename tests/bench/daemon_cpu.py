"""Processor time of the daemon with twenty sessions at one packet a second, as a share of one core."""

from collections.abc import Iterator

from bench.daemon_load import load
from bench.figure import Figure


def run() -> Iterator[Figure]:
    found = load()
    value = round(100 * found.core, 2)
    beside = {
        "same-packets-in-c": round(100 * found.in_c_core, 2),
        "packets-and-loop": round(100 * found.packets_core, 2),
        "store": round(100 * found.store_core, 2),
        "http": round(100 * found.http_core, 2),
        "children": round(100 * found.children_core, 2),
        "packets-due-per-s": round(found.due_per_s, 2),
        "set-aside-or-skipped-%": round(100 * found.aside, 1),
        "packets-a-day": round(found.due_per_s * 86_400),
        "wake-ups-per-s": round(found.wakes_per_s, 1),
        "wake-ups-per-s-in-c": round(found.in_c_wakes_per_s, 1),
        "disk-mb-a-day": round(found.disk_mb_a_day, 1),
    }
    yield Figure(
        bench="daemon-cpu", value=value, unit="% of a core", target=0.5, ok=value <= 0.5, beside=beside
    )
