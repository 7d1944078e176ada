"""Brings records into a store, from the home's agents or from files, and opens what is to be judged."""

import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from msgspec import Struct

from whichhop.app.agents.agents_fetch import DAY_NS, SETTLED_NS, AgentsFetch, tls_addresses_of
from whichhop.compare.windows.table import TICK_NS
from whichhop.config.keys import derive_keys, key_path_for, read_key
from whichhop.errors import DataError
from whichhop.model import Home, Reading, Record
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S, minute_of
from whichhop.net.clock import SystemClock
from whichhop.store.collect import Bounds, Collected, Gathered, Progress, gather
from whichhop.store.files import files_in, read_file
from whichhop.store.imported import Imported
from whichhop.store.kept_days import KeptDays, date_of
from whichhop.store.store import MINUTES_A_DAY, Store

MOST_S = 300.0
"""For all that one agent has; a first collection of 90 days in a large home takes half of it."""
Say = Callable[[str], None]
"""Takes a line for the reader."""


class Source(Struct, frozen=True, kw_only=True):
    """Where measurements are taken from.

    home_file: names the key where `key` does not. store: where collected records are kept. records: a folder
    of files in the interchange form, or one, judged alone. offline: ask no agent.
    """

    home_file: Path
    store: Path
    key: Path | None = None
    records: Path | None = None
    offline: bool = False


class Opened(Struct, frozen=True, kw_only=True):
    """A store that is open and its file, what has not settled in it yet, and how each agent answered."""

    store: Store
    path: Path
    open_records: Sequence[Record] = ()
    agents: Sequence[Collected] = ()
    of_files: bool = False
    """Whether it holds what files had, and nothing that was collected."""

    def span(self, now_ns: int, *, start_ns: int | None, end_ns: int | None) -> tuple[int, int]:
        """The span to judge in UTC ns: to the end of what was measured, from a day before, unless told.

        Never longer than what is kept. Every verb takes it from here, so that the same records give the same
        answer. The begin is not before the end where nothing of the span asked for is kept.
        """
        # A record of a time that has not come is a wrong clock's, and no end of what was measured.
        now = minute_of(now_ns)
        minutes = [r.minute for r in self.open_records if r.minute <= now]
        minutes += self.store.span(now) or ()
        latest = now_ns - SETTLED_NS
        if minutes:
            latest = min(latest, (max(minutes) + 1) * NS_PER_MINUTE)
        end = latest - latest % TICK_NS if end_ns is None else min(end_ns, latest)
        start = end - DAY_NS if start_ns is None else start_ns
        return max(start, min(minutes) * NS_PER_MINUTE) if minutes else start, end


@contextmanager
def opened(source: Source, home: Home, say: Say, progress: Progress | None = None) -> Iterator[Opened]:
    """The store of a source with all that can be had now; what an agent's trouble is goes to `say`.

    DataError when files are asked for and there is none, or the key cannot be read.
    """
    with tempfile.TemporaryDirectory() as passing:
        # Files are judged apart from what is kept, so that nothing is mixed in behind the reader's back.
        path = Path(passing) / "records.db" if source.records else source.store
        if source.offline and not path.exists():
            raise DataError(
                f"{path}: nothing is kept there, and --offline asks no agent; leave --offline out, or name"
                " the file with --store"
            )
        with Store.kept(path) if source.offline else Store.make(path) as store:
            if source.records:
                import_files(source.records, store, say)
            if source.records or source.offline:
                yield Opened(store=store, path=path, of_files=source.records is not None)
                return
            keep_within(store, home, minute_of(SystemClock().utc_ns()), say)
            asked = ask_agents(source, home, store, say, progress)
            yield Opened(store=store, path=path, open_records=asked.open_records, agents=asked.agents)


def keep_within(store: Store, home: Home, now_minute: int, say: Say) -> None:
    """Drop what is too old or too much, as agents do each hour: a store that only takes in grows without end.

    A day and more is told. A store of nothing but old records was imported, and is left as it is.
    """
    oldest, before = now_minute - home.limits.keep_days * MINUTES_A_DAY, store.span(now_minute)
    if before is not None and before[1] < oldest:
        return
    store.keep_within(home.limits, now_minute)
    after = store.span(now_minute)
    if after is not None:
        KeptDays.of(store.db.path).drop_before(date_of(after[0] * NS_PER_MINUTE))
    # A packed hour is whole, so that what is kept may begin minutes sooner than before.
    gone = 0 if before is None or after is None else (after[0] - before[0]) // MINUTES_A_DAY
    if gone > 0:
        what = "day of records was" if gone == 1 else f"{gone} days of records were"
        say(
            f"{store.db.path}: the oldest {what} dropped (limits: keep_days, store_mb);"
            " to judge such as well, give their files by --records"
        )


def ask_agents(
    source: Source, home: Home, store: Store, say: Say, progress: Progress | None = None
) -> Gathered:
    """Collect what every agent has measured; how each answered, and the minutes that have not settled."""
    keys = derive_keys(read_key(source.key or key_path_for(source.home_file)))
    there = tls_addresses_of(home)
    bounds = bounds_of(home, len(there))
    found = gather(store, there, keys.api_token, AgentsFetch.of(home, keys), progress, bounds=bounds)
    for one in found.agents:
        if one.trouble:
            say(f"{one.agent}: {one.trouble}")
    return found


def bounds_of(home: Home, agents: int, seconds: float = MOST_S) -> Callable[[], Bounds]:
    """What each of the home's agents may cost: its share of the home's store_mb, and a time."""
    clock = SystemClock()

    def fresh() -> Bounds:
        end_ns = clock.mono_ns() + round(seconds * NS_PER_S)
        return Bounds(
            most_octets=home.limits.store_bytes // max(1, agents),
            out_of_time=lambda: clock.mono_ns() > end_ns,
        )

    return fresh


def import_files(place: Path, store: Store, say: Say | None = None) -> None:
    """Read files in the interchange form, a folder's or one, into a store; DataError when there is none.

    say: is told what is odd in them, and DataError where two hold what two machines of one name measured;
    without it they are taken as they are.
    """
    for file in files_in(place):
        everything = read_file(file)
        if say is not None:
            _look_at(everything, str(file), store, say)
        store.append_all(
            (x for x in everything if isinstance(x, Record)),
            (x for x in everything if not isinstance(x, Record)),
        )


def _look_at(everything: Sequence[Record | Reading], file: str, store: Store, say: Say) -> None:
    imported = Imported(store)
    for item in everything:
        if isinstance(item, Record):
            imported.look(item)
    imported.refuse(file)
    for line in imported.remarks(file):
        say(line)
