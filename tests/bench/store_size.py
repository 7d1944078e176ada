"""Bytes a session-minute at rest: a home's day as a daemon stores it, the last hour still in rows."""

import random
import tempfile
from collections.abc import Iterable
from pathlib import Path

from bench.figure import Figure
from support.records import lifelike
from whichhop.model import Method, Record, SessionKey
from whichhop.store.store import Store
from whichhop.wire.ntp64 import settle
from whichhop.wire.packed import canonical, pack

TARGET = 120.0
HOURS = 24
FIRST = 28_333_320

# target, method, quiet round trip, mean of each way's exponential tail (ns): a desk behind a radio mesh node.
# A third of the sessions carry three columns of delays (STAMP), as where agents probe agents.
SESSIONS = (
    ("attic", Method.STAMP, 1_200_000, 400_000),
    ("cellar", Method.STAMP, 1_800_000, 500_000),
    ("harbour", Method.STAMP, 11_000_000, 450_000),
    ("router", Method.ECHO, 1_900_000, 450_000),
    ("switch", Method.ECHO, 200_000, 12_000),
    ("modem", Method.ECHO, 2_300_000, 450_000),
    ("provider-edge", Method.ECHO, 9_000_000, 600_000),
    ("lighthouse", Method.ECHO, 14_000_000, 600_000),
    ("mill", Method.ECHO, 19_000_000, 700_000),
)


def run() -> Iterable[Figure]:
    """Sizes with times settled (what a daemon stores), and beside them what exact nanoseconds would take."""
    rng = random.Random(20_260_301)
    keys = [
        (SessionKey(agent="desk", target=target, method=method), base, spread)
        for target, method, base, spread in SESSIONS
    ]
    exact_hour: dict[Method, list[int]] = {Method.STAMP: [], Method.ECHO: []}
    settled_hour: dict[Method, list[int]] = {Method.STAMP: [], Method.ECHO: []}
    single, raw = [], []
    hour: dict[SessionKey, list[Record]] = {key: [] for key, _, _ in keys}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "s.db"
        with Store.open(path) as store:
            for minute in range(FIRST, FIRST + HOURS * 60):
                records = [lifelike(rng, minute, key, base_ns=b, spread_ns=s) for key, b, s in keys]
                store.append_all([settle(r) for r in records])
                if minute < FIRST + 60:
                    for record in records:
                        hour[record.session].append(record)
                if minute % 60 == 2:
                    store.pack_hours(minute)
        size = path.stat().st_size
    for key, records in hour.items():
        exact_hour[key.method].append(len(pack(records)))
        settled_hour[key.method].append(len(pack([settle(r) for r in records])))
        single += [len(pack([settle(r)])) for r in records]
        raw += [len(canonical(r)) for r in records]
    minutes = HOURS * 60 * len(SESSIONS)

    def per_minute(sizes: list[int]) -> float:
        return round(sum(sizes) / len(sizes) / 60, 1)

    value = round(size / minutes, 1)
    yield Figure(
        bench="store-size",
        value=value,
        unit="bytes a session-minute",
        target=TARGET,
        ok=value <= TARGET,
        beside={
            "hour-block-echo": per_minute(settled_hour[Method.ECHO]),
            "hour-block-stamp": per_minute(settled_hour[Method.STAMP]),
            "single-row": round(sum(single) / len(single), 1),
            "exact-ns-hour-block-echo": per_minute(exact_hour[Method.ECHO]),
            "exact-ns-hour-block-stamp": per_minute(exact_hour[Method.STAMP]),
            "exact-ns-before-deflate": round(sum(raw) / len(raw), 1),
            "stamp-sessions-share": round(3 / len(SESSIONS), 2),
        },
    )
