"""Time to make a month's report of Alder House: 24 sessions a packet a second, a bad hour every evening.

Thirty whole days (62 million samples) are stored, then read, judged and written as page, paper and figures,
with nothing kept (cold) and with every day kept (warm); nothing is scaled. Each session's hours come from a
few of its own, moved in time, so that making the store takes a minute or so. `WHICHHOP_BENCH_DAYS` takes
another number of days.
"""

import os
import random
import tempfile
import zlib
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

from bench.figure import Figure
from bench.spent import peak_mb
from support.records import lifelike
from whichhop.app.reported.dossier import Order, assemble
from whichhop.config.check import House
from whichhop.lab.standard_home import alder_home
from whichhop.model import LinkKind, Reading, Record, SessionKey, derive_sessions
from whichhop.model.units import NS_PER_MINUTE
from whichhop.net.clock import SystemClock
from whichhop.report.figures_csv import figures_csv
from whichhop.report.html import page
from whichhop.report.pdf import pdf
from whichhop.store.chain import pack_seqs
from whichhop.store.store import Store
from whichhop.wire.byte_planes import put_signed
from whichhop.wire.ntp64 import settle
from whichhop.wire.packed import pack, take_block, unfold

TARGET, COLD_TARGET = 4.0, 20.0
MOST_MB = 1500
"""The comparer's own budget; the report holds no more."""
FULL_DAYS = 30
FIRST = 29_880_000  # a whole hour, in minutes since the epoch
BAD_HOUR = 20


def _hour(rng: random.Random, key: SessionKey, *, bad: bool, outside: bool) -> list[Record]:
    base = (9_000_000 if outside else 2_000_000) + (60_000_000 if bad else 0)
    loss = 0.06 if bad else 0.0005
    return [settle(lifelike(rng, FIRST + m, key, base_ns=base, loss=loss)) for m in range(60)]


def _later(body: bytes, minutes: int) -> bytes:
    """A packed hour, unfolded, as that of a later time: only its first minute and first instant change."""
    block = take_block(body)
    sent = block.sent_ns
    by, rest = divmod(minutes * NS_PER_MINUTE, sent.unit)
    assert sent.stepwise
    assert rest == 0
    for old, new in ((block.facts[0].minute, block.facts[0].minute + minutes), (sent.first, sent.first + by)):
        a, b = bytearray(), bytearray()
        put_signed(a, old)
        put_signed(b, new)
        assert len(a) == len(b)
        assert bytes(a) in body[:200]
        body = body.replace(bytes(a), bytes(b), 1)
    return body


def fill(store: Store, days: int) -> None:
    """Packed hours, and byte counters that show an idle line.

    Each session has four quiet hours of its own and, over the line, a bad one; they come again at random.
    """
    rng = random.Random(7)
    chain = store.db.number(
        "INSERT INTO chain (agent, origin, own, last_seq, head)"
        " VALUES ('pool', x'00', 0, 0, x'00') RETURNING id"
    )
    first = FIRST // 60
    for session in derive_sessions(alder_home()):
        key = session.key
        outside = any(link.kind in (LinkKind.ACCESS, LinkKind.BEYOND) for link in session.path.links)
        hours = {
            bad: [unfold(pack(_hour(rng, key, bad=bad, outside=outside))) for _ in range(1 if bad else 4)]
            for bad in {False, outside}
        }
        later = _later(hours[False][0], 60 * 24 * days)
        assert take_block(later).records()[0].minute == FIRST + 60 * 24 * days
        with store.transaction():
            number = store.db.number(
                "INSERT INTO session (agent, target, method) VALUES (?, ?, ?) RETURNING id",
                (key.agent, key.target, key.method),
            )
            for hour in range(days * 24):
                made = _later(rng.choice(hours[outside and (first + hour) % 24 == BAD_HOUR]), hour * 60)
                store.db.execute(
                    "INSERT INTO hour (chain, session, hour, first_seq, last_seq, seqs, before, body)"
                    " VALUES (?, ?, ?, 1, 60, ?, x'00', ?)",
                    (chain, number, first + hour, pack_seqs(list(range(1, 61))), zlib.compress(made, 6)),
                )
    readings = (
        Reading(at_ns=(FIRST + m) * NS_PER_MINUTE, agent="router", name=name, value=float(m) * 7_500)
        for m in range(days * 1440 + 1)
        for name in ("wan_rx_bytes", "wan_tx_bytes")
    )
    store.append_all((), readings)


def run() -> Iterable[Figure]:
    """Seconds from the opened store to the three files, and the most memory held."""
    days = int(os.environ.get("WHICHHOP_BENCH_DAYS", FULL_DAYS))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "s.db"
        with Store.open(path) as store:
            fill(store, days)
        file_mb = path.stat().st_size / 1e6
        made = {}
        for name in ("cold", "warm"):
            load = round(os.getloadavg()[0], 1)
            with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as one:
                made[name] = (*one.submit(_report, path, days).result(), load)
        kept_mb = sum(p.stat().st_size for p in Path(f"{path}.days").iterdir()) / 1e6
    for name, target in (("warm", TARGET), ("cold", COLD_TARGET)):
        dossier_s, written_s, _, beside, load = made[name]
        value = round(dossier_s + written_s, 2)
        yield Figure(
            bench="report-time" if name == "warm" else "report-time-cold",
            value=value,
            unit="s",
            target=target,
            ok=value <= target,
            beside={
                "days": days,
                "reading-and-judging-s": round(dossier_s, 2),
                "writing-s": round(written_s, 2),
                "load-average": load,
                "file-mb": round(file_mb, 1),
                "kept-mb-a-day": round(kept_mb / days, 2),
                **beside,
            },
        )
    yield Figure(
        bench="report-memory",
        value=max(m[2] for m in made.values()),
        unit="MB",
        target=MOST_MB,
        ok=max(m[2] for m in made.values()) <= MOST_MB,
    )


def _report(path: Path, days: int) -> tuple[float, float, int, dict[str, int]]:
    """Make the report in a fresh process, so that its memory is its own and its children's."""
    clock = SystemClock()
    began = clock.mono_ns()
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
                kept=True,
            ),
        )
    assert dossier is not None
    read = (clock.mono_ns() - began) / 1e9
    size = len(page(dossier)) + len(pdf(dossier)) + len(figures_csv(dossier))
    written = (clock.mono_ns() - began) / 1e9 - read
    return (
        read,
        written,
        peak_mb((os.cpu_count() or 1) - 1),
        {
            "processor-s": round(sum(os.times()[:4])),
            "sessions": len(dossier.sessions),
            "samples": sum(r.samples for r in dossier.sessions),
            "episodes": len(dossier.episodes),
            "bytes": size,
        },
    )
