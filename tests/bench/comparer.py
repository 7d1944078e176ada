"""How long the comparer takes over a month of a large home, and how much memory: nothing kept, and all of it.

The store holds a month of packed records, which nothing here unpacks but for the seconds around what is
found; the windows, with noise and some faults each day, are laid beside it as if they had been cut from it.
Cold: every day is judged, on every processor. Warm: the same question again, of which every day is kept.
`comparer=N` takes N days.
"""

import os
import tempfile
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

from bench.figure import Figure
from bench.large_home import AGENTS, a_day, large_home
from bench.spent import Spent, peak_mb
from bench.store_read import FIRST, fill
from whichhop.app.stored.by_days import windows_by_days
from whichhop.app.stored.collect import Opened
from whichhop.app.stored.day_windows import DAY_NS, WINDOWS
from whichhop.app.stored.store_windows import compared
from whichhop.compare.windows.compact import folded
from whichhop.model import derive_sessions
from whichhop.model.units import NS_PER_MINUTE
from whichhop.store.kept_days import KeptDays, date_of
from whichhop.store.store import Store

DAYS = 30
START_NS = FIRST * NS_PER_MINUTE
TARGET, COLD_TARGET, TARGET_MB = 5.0, 60.0, 400


def prepared(path: Path, days: int) -> None:
    """The store, and every day's windows beside it."""
    home = large_home()
    sessions = derive_sessions(home)
    with Store.open(path) as store:
        fill(store, [s.key for s in sessions], days * 24)
    with Store.open(path, read_only=True) as store, KeptDays.beside(path) as kept:
        keys = windows_by_days(store, home, kept, START_NS, START_NS + days * DAY_NS).keys
        for day in range(days):
            at = START_NS + day * DAY_NS
            assert kept.put(WINDOWS, date_of(at), keys[at], folded(a_day(home, sessions, at, day), ()))


def asked(path: Path, days: int, processes: int) -> tuple[Spent, int, int]:
    """One comparison of all of it, in a process of its own: what it took, its memory in MB, its verdicts."""
    began = Spent.now()
    with Store.open(path, read_only=True) as store:
        found = compared(
            Opened(store=store, path=path),
            large_home(),
            start_ns=START_NS,
            end_ns=START_NS + days * DAY_NS,
            processes=processes,
        )
    assert found is not None
    return Spent.since(began), peak_mb(processes - 1), len(found.verdicts)


def run(days: int = DAYS) -> Iterable[Figure]:
    """Time of one comparison, cold and warm, and the most memory that its processes have held."""
    processes = os.cpu_count() or 1
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "s.db"
        prepared(path, days)
        took = {}
        for name in ("cold", "warm"):
            with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as one:
                took[name] = one.submit(asked, path, days, processes).result()
        kept = Path(f"{path}.days")
        judged_kb = sum(p.stat().st_size for p in kept.glob("*.judged.*")) / 1e3 / days
    for name, target in (("warm", TARGET), ("cold", COLD_TARGET)):
        spent, memory, verdicts = took[name]
        value = round(spent.wall_s, 2)
        yield Figure(
            bench="comparer-time" if name == "warm" else "comparer-time-cold",
            value=value,
            unit="s",
            target=target,
            ok=value <= target,
            beside={
                "days": days,
                "agents": AGENTS,
                "sessions": len(derive_sessions(large_home())),
                "verdicts": verdicts,
                # On a machine that others use too, the processor's own time is what cores of it would take.
                "processor-s": round(spent.cpu_s, 1),
                "processes": processes if name == "cold" else 1,
                "load-average": round(os.getloadavg()[0], 1),
                "kept-judged-kb-a-day": round(judged_kb, 1),
            },
        )
        yield Figure(
            bench="comparer-memory" if name == "warm" else "comparer-memory-cold",
            value=memory,
            unit="MB",
            target=TARGET_MB,
            ok=memory <= TARGET_MB,
        )
