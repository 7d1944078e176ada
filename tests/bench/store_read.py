"""Time to read a month of ten agents: from its packed records (cold), from what is kept of its days (warm).

Cold: every column of every session as numpy has it. A hundredth is measured and scaled, in one process, for
two processes' start would be scaled with it; or with `WHICHHOP_BENCH_FULL=1` all of it (120 sessions, 30
days, 0.6 GB of temporary file), on every processor. Reading is linear in sessions and hours: each hour's
block is unpacked by itself. Warm: each day's windows as compare and report read them, drawn with noise,
since hours that come again would be read too fast; three days are scaled to thirty, in one process.
"""

import os
import random
import tempfile
from array import array
from collections.abc import Iterable, Sequence
from pathlib import Path

from msgspec.structs import replace

from bench.figure import Figure
from bench.large_home import a_day, large_home
from bench.spent import Spent
from support.records import lifelike
from whichhop.app.stored.by_days import windows_by_days
from whichhop.app.stored.day_windows import DAY_NS, WINDOWS
from whichhop.compare.windows.compact import folded
from whichhop.model import Method, Record, SessionKey, derive_sessions
from whichhop.model.units import NS_PER_MINUTE
from whichhop.store.chain import pack_seqs
from whichhop.store.columns import SessionColumns, each_session
from whichhop.store.kept_days import KeptDays, date_of
from whichhop.store.store import Store
from whichhop.wire.ntp64 import settle
from whichhop.wire.packed import pack

TARGET, COLD_TARGET = 5.0, 20.0
FIRST = 28_333_440
"""A midnight, minutes since 1970."""
FULL_SESSIONS, FULL_DAYS = 120, 30


def shifted(record: Record, key: SessionKey, minute: int) -> Record:
    """The record as another session's of another minute."""
    by = (minute - record.minute) * 60_000_000_000
    samples = replace(record.samples, sent_ns=array("q", [v + by for v in record.samples.sent_ns]))
    return replace(record, session=key, minute=minute, samples=samples)


def fill(store: Store, keys: Sequence[SessionKey], hours: int) -> None:
    """Hours' blocks as packing leaves them.

    An hour's block is made once a method and stored under each session: the bytes to read and to unpack are
    those of the full size, only the making is spared.
    """
    rng = random.Random(5)
    pools: dict[Method, list[list[Record]]] = {}
    blocks: dict[tuple[Method, int], bytes] = {}
    for method in {key.method for key in keys}:
        key = SessionKey(agent="pool", target="pool", method=method)
        pools[method] = [
            [settle(lifelike(rng, FIRST + m, key, spread_ns=450_000)) for m in range(60)] for _ in range(4)
        ]
    chain = store.db.number(
        "INSERT INTO chain (agent, origin, own, last_seq, head)"
        " VALUES ('pool', x'00', 0, 0, x'00') RETURNING id"
    )
    for key in keys:
        method = key.method
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


def count_samples(columns: SessionColumns) -> int:
    """What a reading process hands back; every column was put together before."""
    return len(columns.sent_ns)


def run() -> Iterable[Figure]:
    """Seconds for the full size, with what was really measured beside."""
    full = os.environ.get("WHICHHOP_BENCH_FULL") == "1"
    sessions, days = (FULL_SESSIONS, FULL_DAYS) if full else (12, 3)
    home = large_home()
    keys = [s.key for s in derive_sessions(home)][:sessions]
    scale = FULL_SESSIONS * FULL_DAYS / (len(keys) * days)
    processes = (os.cpu_count() or 1) if full else 1
    start_ns = FIRST * NS_PER_MINUTE
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "s.db"
        with Store.open(path) as store:
            fill(store, keys, days * 24)
        spent = Spent.now()
        samples = sum(each_session(path, keys, count_samples, processes=processes))
        cold = Spent.since(spent)
        beside = {
            "load-average": round(os.getloadavg()[0], 1),
            "measured-sessions": len(keys),
            "measured-days": days,
            "samples": samples,
            "file-mb": round(path.stat().st_size / 1e6, 1),
        }
        with Store.open(path, read_only=True) as store, KeptDays.beside(path) as kept:
            windows = windows_by_days(store, home, kept, start_ns, start_ns + days * DAY_NS)
            for day in range(days):
                at = start_ns + day * DAY_NS
                octets = folded(a_day(home, derive_sessions(home), at, day), ())
                kept.put(WINDOWS, date_of(at), windows.keys[at], octets)
            spent = Spent.now()
            windows = windows_by_days(store, home, kept, start_ns, start_ns + days * DAY_NS)
            for day in range(days):
                assert windows.day(start_ns + day * DAY_NS).table.sent.all()
            warm = Spent.since(spent)
            kept_mb = sum(p.stat().st_size for p in kept.folder.iterdir()) / 1e6 / days
            beside["kept-mb-a-day"] = round(kept_mb, 2)
    for name, took, target, many, by in (
        ("store-read", warm, TARGET, 1, FULL_DAYS / days),
        ("store-read-cold", cold, COLD_TARGET, processes, scale),
    ):
        value = round(took.wall_s * by, 2)
        cpu = {"processor-s": round(took.cpu_s * by, 2), "processes": many, "scaled-by": by}
        yield Figure(
            bench=name, value=value, unit="s", target=target, ok=value <= target, beside={**beside, **cpu}
        )
