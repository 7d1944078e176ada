"""Resident memory of the daemon with twenty sessions at one packet a second, after two minutes."""

from collections.abc import Iterator

from bench.daemon_load import load
from bench.figure import Figure


def run() -> Iterator[Figure]:
    found = load()
    value = round(found.rss_mb, 1)
    beside = {
        "after-import": round(found.imported_mb, 1),
        "at-start": round(found.started_mb, 1),
        "peak": round(found.peak_mb, 1),
        "of-its-own-alone": round(found.private_mb, 1),
        "same-packets-in-c": round(found.in_c_mb, 1),
        "packets-due-per-s": round(found.due_per_s, 2),
    }
    yield Figure(bench="daemon-rss", value=value, unit="MB", target=34.0, ok=value <= 34.0, beside=beside)
