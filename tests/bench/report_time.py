"""Time to make a month's report of Alder House: 24 sessions a packet a second, a bad hour every evening.

Two days are stored, read, judged and written (page, paper and figures), every session with samples of its
own; reading and judging are scaled to thirty days, writing is not, since a plot has the same number of points
whatever the span. `WHICHHOP_BENCH_FULL=1` stores the whole month and scales nothing (minutes of making).
"""

import os
import random
import tempfile
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from bench.figure import Figure
from bench.store_read import shifted
from support.records import lifelike
from whichhop.cli.assemble import Order, assemble
from whichhop.config.check import House
from whichhop.lab.alder import alder_home
from whichhop.model import LinkKind, Method, Reading, Record, SessionKey, derive_sessions
from whichhop.model.units import NS_PER_MINUTE
from whichhop.net.clock import SystemClock
from whichhop.report.figures_csv import figures_csv
from whichhop.report.html import page
from whichhop.report.pdf import pdf
from whichhop.store.chain import pack_seqs
from whichhop.store.store import Store
from whichhop.wire.packed import pack
from whichhop.wire.precision import settle

TARGET = 20.0
FULL_DAYS = 30
FIRST = 29_880_000  # a whole hour, in minutes since the epoch
BAD_HOUR = 20


def _pool(rng: random.Random, method: Method, *, bad: bool, outside: bool) -> list[Record]:
    key = SessionKey(agent="pool", target="pool", method=method)
    base = (9_000_000 if outside else 2_000_000) + (60_000_000 if bad else 0)
    loss = 0.06 if bad else 0.0005
    return [settle(lifelike(rng, FIRST + m, key, base_ns=base, loss=loss)) for m in range(60)]


def fill(store: Store, days: int) -> None:
    """Packed hours, and byte counters that show an idle line."""
    rng = random.Random(7)
    chain = store.db.number(
        "INSERT INTO chain (agent, origin, own, last_seq, head)"
        " VALUES ('pool', x'00', 0, 0, x'00') RETURNING id"
    )
    for session in derive_sessions(alder_home()):
        key = session.key
        outside = any(link.kind in (LinkKind.ACCESS, LinkKind.BEYOND) for link in session.path.links)
        pools = {bad: _pool(rng, key.method, bad=bad, outside=outside) for bad in {False, outside}}
        with store.transaction():
            number = store.db.number(
                "INSERT INTO session (agent, target, method) VALUES (?, ?, ?) RETURNING id",
                (key.agent, key.target, key.method),
            )
            for hour in range(FIRST // 60, FIRST // 60 + days * 24):
                pool = pools[outside and hour % 24 == BAD_HOUR]
                turned = rng.randrange(60)  # each session's losses at moments of its own
                made = [
                    replace(shifted(pool[(m + turned) % 60], key, hour * 60 + m), session=key)
                    for m in range(60)
                ]
                store.db.execute(
                    "INSERT INTO hour (chain, session, hour, first_seq, last_seq, seqs, before, body)"
                    " VALUES (?, ?, ?, 1, 60, ?, x'00', ?)",
                    (chain, number, hour, pack_seqs(list(range(1, 61))), pack(made)),
                )
    readings = (
        Reading(at_ns=(FIRST + m) * NS_PER_MINUTE, agent="router", name=name, value=float(m) * 7_500)
        for m in range(days * 1440 + 1)
        for name in ("wan_rx_bytes", "wan_tx_bytes")
    )
    store.append_all((), readings)


def run() -> Iterable[Figure]:
    """Seconds from the opened store to the three files."""
    clock = SystemClock()
    days = FULL_DAYS if os.environ.get("WHICHHOP_BENCH_FULL") == "1" else 2
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "s.db"
        with Store.open(path) as store:
            fill(store, days)
        began, cpu_began = clock.mono_ns(), sum(os.times()[:2])
        with Store.open(path, read_only=True) as store:
            dossier = assemble(
                store,
                Order(
                    house=House(home=alder_home(), run=None, boxes=()),
                    start_ns=FIRST * NS_PER_MINUTE,
                    end_ns=(FIRST + days * 1440) * NS_PER_MINUTE,
                    made_ns=(FIRST + days * 1440) * NS_PER_MINUTE,
                    zone="Europe/Lisbon",
                    redact=False,
                    with_chains=True,
                    public_key=None,
                ),
            )
        assert dossier is not None
        read = (clock.mono_ns() - began) / 1e9
        size = len(page(dossier)) + len(pdf(dossier)) + len(figures_csv(dossier))
        written = (clock.mono_ns() - began) / 1e9 - read
        cpu = sum(os.times()[:2]) - cpu_began
    scale = FULL_DAYS / days
    value = round(read * scale + written, 2)
    yield Figure(
        bench="report-time",
        value=value,
        unit="s",
        target=TARGET,
        ok=value <= TARGET,
        beside={
            "measured-days": days,
            "measured-reading-s": round(read, 2),
            "writing-s": round(written, 2),
            "processor-s": round((cpu - written) * scale + written, 2),
            "scaled-by": scale,
            "load-average": round(os.getloadavg()[0], 1),
            "sessions": len(dossier.sessions),
            "samples": sum(r.samples for r in dossier.sessions),
            "episodes": len(dossier.episodes),
            "bytes": size,
        },
    )
