"""Time to read a month of ten agents as numpy columns: a hundredth of it measured and scaled, or all of it.

`WHICHHOP_BENCH_FULL=1` writes and reads the full size (120 sessions, 30 days, 0.6 GB of temporary file).
Reading is linear in sessions and hours: each hour's block is unpacked by itself. The hundredth is read in one
process, for two processes' start would be scaled with it; the full size on every processor.
"""

import os
import random
import tempfile
from array import array
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from bench.figure import Figure
from support.records import lifelike
from whichhop.model import Method, Record, SessionKey
from whichhop.net.clock import SystemClock
from whichhop.store.chain import pack_seqs
from whichhop.store.columns import SessionColumns, each_session
from whichhop.store.store import Store
from whichhop.wire.packed import pack
from whichhop.wire.precision import settle

TARGET = 20.0
FIRST = 28_333_320
FULL_SESSIONS, FULL_DAYS = 120, 30


def shifted(record: Record, key: SessionKey, minute: int) -> Record:
    """The record as another session's of another minute."""
    by = (minute - record.minute) * 60_000_000_000
    samples = replace(record.samples, sent_ns=array("q", [v + by for v in record.samples.sent_ns]))
    return replace(record, session=key, minute=minute, samples=samples)


def fill(store: Store, sessions: int, hours: int) -> list[SessionKey]:
    """Hours' blocks as packing leaves them; half echo, half STAMP.

    An hour's block is made once a method and stored under each session: the bytes to read and to unpack are
    those of the full size, only the making is spared.
    """
    rng = random.Random(5)
    keys: list[SessionKey] = []
    pools: dict[Method, list[list[Record]]] = {}
    blocks: dict[tuple[Method, int], bytes] = {}
    for method in (Method.ECHO, Method.STAMP):
        key = SessionKey(agent="pool", target="pool", method=method)
        pools[method] = [
            [settle(lifelike(rng, FIRST + m, key, spread_ns=450_000)) for m in range(60)] for _ in range(4)
        ]
    chain = store.db.number(
        "INSERT INTO chain (agent, origin, own, last_seq, head)"
        " VALUES ('pool', x'00', 0, 0, x'00') RETURNING id"
    )
    for number in range(sessions):
        method = (Method.ECHO, Method.STAMP)[number % 2]
        key = SessionKey(agent=f"agent-{number // 12}", target=f"target-{number % 12}", method=method)
        keys.append(key)
        with store.transaction():
            session = store.db.number(
                "INSERT INTO session (agent, target, method) VALUES (?, ?, ?) RETURNING id",
                (key.agent, key.target, key.method),
            )
            for hour in range(FIRST // 60, FIRST // 60 + hours):
                if (method, hour) not in blocks:
                    pool = pools[method][hour % 4]
                    blocks[method, hour] = pack([shifted(r, key, hour * 60 + m) for m, r in enumerate(pool)])
                store.db.execute(
                    "INSERT INTO hour (chain, session, hour, first_seq, last_seq, seqs, before, body)"
                    " VALUES (?, ?, ?, 1, 60, ?, x'00', ?)",
                    (chain, session, hour, pack_seqs(list(range(1, 61))), blocks[method, hour]),
                )
    return keys


def count_samples(columns: SessionColumns) -> int:
    """What a reading process hands back; every column was put together before."""
    return len(columns.sent_ns)


def run() -> Iterable[Figure]:
    """Seconds for the full size, with what was really measured beside."""
    full = os.environ.get("WHICHHOP_BENCH_FULL") == "1"
    sessions, days = (FULL_SESSIONS, FULL_DAYS) if full else (12, 3)
    clock = SystemClock()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "s.db"
        with Store.open(path) as store:
            keys = fill(store, sessions, days * 24)
        began, cpu_began = clock.mono_ns(), sum(os.times()[:4])
        processes = (os.cpu_count() or 1) if full else 1
        samples = sum(each_session(path, keys, count_samples, processes=processes))
        took, cpu = (clock.mono_ns() - began) / 1e9, sum(os.times()[:4]) - cpu_began
        size = path.stat().st_size
    scale = FULL_SESSIONS * FULL_DAYS / (sessions * days)
    value = round(took * scale, 2)
    yield Figure(
        bench="store-read",
        value=value,
        unit="s",
        target=TARGET,
        ok=value <= TARGET,
        beside={
            "measured-s": round(took, 3),
            "processor-s": round(cpu * scale, 2),
            "load-average": round(os.getloadavg()[0], 1),
            "processes": processes,
            "measured-sessions": sessions,
            "measured-days": days,
            "scaled-by": scale,
            "samples": samples,
            "file-mb": round(size / 1e6, 1),
        },
    )
