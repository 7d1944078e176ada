"""Judges a long span of a store by the day; a finished day is judged once and kept beside the store.

A newer version of our own code judges it anew.
"""

import hashlib
import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from contextlib import ExitStack
from dataclasses import dataclass, field
from functools import cache
from multiprocessing import get_context
from pathlib import Path
from typing import TypeVar

import msgspec
import numpy as np
from msgspec import Struct
from msgspec.structs import replace

import whichhop
from whichhop.app.stored.day_windows import DAY_NS, WindowsByDay, days_of
from whichhop.app.stored.inner_causes import StoreRecords
from whichhop.app.stored.store_seconds import HourlySeconds, StoreSeconds
from whichhop.claim.pseudonyms import stripped
from whichhop.compare.day_form import day_octets, day_of
from whichhop.compare.day_judging import LONG_NS, DayJudged, DayLook, DaySpan, day_spans, judge_day
from whichhop.compare.windows.compact import UNREADABLE
from whichhop.inside.gather import InnerFacts, with_causes
from whichhop.model import Home, Reading, Record
from whichhop.model.figure_words import zone_of
from whichhop.model.units import NS_PER_MINUTE
from whichhop.store.hour_marks import HOUR_NS, hour_marks, marks_digest
from whichhop.store.kept_days import KeptDays, date_of
from whichhop.store.store import Store

_TOP = Path(whichhop.__file__).parent
CUTTING = ("wire", "stats", "model", "store/columns.py", "compare/windows", "app/stored/day_windows.py")
"""What windows are cut by; reasoning that changes leaves them as they are."""

JUDGED = "judged"
POOL_WORTH = 3
"""Days to do from which a second process saves more than its start takes."""
AHEAD = 2
"""Tasks that the pool is given at once, so that it never waits for this process to finish one."""
Task = TypeVar("Task")
Out = TypeVar("Out")
Told = Callable[[int, int], None]
"""Is told how many days are done of how many."""


@cache
def code_digest(parts: tuple[str, ...] = ("",)) -> bytes:
    """SHA-256 over the sources of some parts of the package, all of it unless given, and the arithmetic's
    version."""
    hashed = hashlib.sha256(f"{whichhop.__version__} numpy {np.__version__}".encode())
    for part in parts:
        place = _TOP / part
        for path in sorted(place.rglob("*.py")) if place.is_dir() else [place]:
            octets = path.read_bytes()
            hashed.update(f"\0{path.relative_to(_TOP)} {len(octets)}\0".encode() + octets)
    return hashed.digest()


class Order(Struct, frozen=True, kw_only=True):
    """What a process needs to know of the days. loose: records that are not in the store yet. window_keys,
    judged_keys: of those that may be kept, by a day's begin."""

    store: Path
    home: Home
    kept: KeptDays
    loose: tuple[Record, ...]
    window_keys: Mapping[int, bytes]
    judged_keys: Mapping[int, bytes]


class Days(Struct):
    """The judged days of a span, and where the windows of their own ticks are had from."""

    judged: list[DayJudged]
    windows: WindowsByDay


@dataclass(slots=True)
class _Worker:
    """Does an order's work over a store that is open."""

    order: Order
    store: Store
    windows: WindowsByDay = field(init=False)
    _readings: list[Reading] = field(default_factory=list)
    _read_ns: tuple[int, int] = (0, 0)
    """Of which stretch those are."""

    def __post_init__(self) -> None:
        order = self.order
        self.windows = WindowsByDay(self.store, order.home, order.kept, order.window_keys, order.loose)

    def cut(self, day_ns: int) -> None:
        """Have a day's windows kept."""
        self.windows.day(day_ns)

    def kept(self, span: DaySpan) -> DayJudged | None:
        """A day as it was judged before; None where it was not."""
        key = self.order.judged_keys.get(span.begin_ns)
        if key is None:
            return None
        octets = self.order.kept.get(JUDGED, date_of(span.begin_ns), key)
        if octets is None:
            return None
        try:
            return day_of(octets)
        except UNREADABLE:
            return None

    def judge(self, span: DaySpan) -> bytes | None:
        """Judge a day, and keep it; None where nothing was sent in it."""
        found = self._judged(span)
        if found is None:
            return None
        octets = day_octets(found)
        key = self.order.judged_keys.get(span.begin_ns)
        if key is not None:
            self.order.kept.put(JUDGED, date_of(span.begin_ns), key, octets)
        return octets

    def _read(self, from_ns: int, to_ns: int) -> list[Reading]:
        """The readings of a stretch; those that the day before had too are not read again."""
        begin_ns, end_ns = self._read_ns
        since_ns = end_ns if begin_ns <= from_ns < end_ns <= to_ns else from_ns
        # Those of before go first: two days of them are as much as their windows.
        self._readings = [r for r in self._readings if from_ns <= r.at_ns < since_ns]
        self._readings += self.store.readings(from_ns=since_ns, to_ns=to_ns)
        self._read_ns = from_ns, to_ns
        return self._readings

    def _judged(self, span: DaySpan) -> DayJudged | None:
        home, store, loose = self.order.home, self.store, self.order.loose
        table = self.windows.span(span.from_ns, span.to_ns)
        kept = set(store.sessions())
        source = HourlySeconds(StoreSeconds(store, tuple(k for k in table.sessions if k in kept), loose))
        readings = self._read(span.from_ns - NS_PER_MINUTE, span.to_ns)
        look = judge_day(home, replace(table, seconds=source), readings, span)
        if look is None:
            return None
        known = InnerFacts(
            home=home,
            sessions=look.sessions,
            table=look.table,
            readings=readings,
            records=StoreRecords(store, loose),
            zone=zone_of(home),
        )
        return _with_causes(look, known)


def _with_causes(look: DayLook, known: InnerFacts) -> DayJudged:
    """The day with why its hops were slow; what begins past its end is the next day's to tell."""
    day = look.judged
    own = [v for v in day.changed if v.start_ns < day.span.end_ns]
    later = [v for v in day.changed if v.start_ns >= day.span.end_ns]
    told = with_causes([*(s.verdict for s in day.stood), *own], known)
    stood = tuple(replace(s, verdict=v) for s, v in zip(day.stood, told, strict=False))
    return replace(day, stood=stood, changed=(*told[len(stood) :], *later))


_here: dict[str, _Worker] = {}
"""The one worker of a process of the pool."""


def _begin(order: Order) -> None:
    _here["worker"] = _Worker(order, Store.open(order.store, read_only=True))


def _cut(day_ns: int) -> None:
    _here["worker"].cut(day_ns)


def _judge(span: DaySpan) -> bytes | None:
    return _here["worker"].judge(span)


class _Asked(Struct, frozen=True, kw_only=True):
    """A span of a store, and the marks of its hours. end_ns: a day that is not over by then is not kept, nor
    one of which something is not in the store yet."""

    store: Store
    home: Home
    kept: KeptDays
    loose: tuple[Record, ...]
    end_ns: int
    marks: Mapping[int, bytes]

    def order(self, days: Iterable[int], spans: Iterable[DaySpan] = ()) -> Order:
        """With the keys of these days' windows, and of what these come to."""
        # Where levels are read, and with what login, says nothing of what was measured.
        home = msgspec.json.encode(stripped(self.home))
        cutting = code_digest(CUTTING) + home
        judging = code_digest() + home + str(zone_of(self.home)).encode()
        return Order(
            store=self.store.db.path,
            home=self.home,
            kept=self.kept,
            loose=self.loose,
            window_keys={
                day: marks_digest(self.marks, day, day + DAY_NS, cutting)
                for day in days
                if day + DAY_NS <= self.end_ns and self._settled(day, day + DAY_NS)
            },
            judged_keys={
                # Readings of the minute before a stretch tell of it.
                s.begin_ns: marks_digest(
                    self.marks, s.from_ns - HOUR_NS, s.to_ns, judging, msgspec.json.encode(s)
                )
                for s in spans
                if -(-s.end_ns // DAY_NS) * DAY_NS <= self.end_ns and self._settled(s.from_ns, s.to_ns)
            },
        )

    def _settled(self, from_ns: int, to_ns: int) -> bool:
        return not any(from_ns < (r.minute + 1) * NS_PER_MINUTE <= to_ns for r in self.loose)


def _asked(
    store: Store, home: Home, kept: KeptDays, span: tuple[int, int], loose: tuple[Record, ...] = ()
) -> _Asked:
    days, end_ns = days_of(*span), span[1]
    marks = hour_marks(store.db, days.start // HOUR_NS - 1, (days.stop + DAY_NS) // HOUR_NS)
    return _Asked(store=store, home=home, kept=kept, loose=loose, end_ns=end_ns, marks=marks)


def windows_by_days(store: Store, home: Home, kept: KeptDays, start_ns: int, end_ns: int) -> WindowsByDay:
    """Where the windows of a span's days are had from."""
    asked = _asked(store, home, kept, (start_ns, end_ns))
    return _Worker(asked.order(days_of(start_ns, end_ns)), store).windows


def _each(
    tasks: Sequence[Task],
    mine: Callable[[Task], Out],
    pool: ProcessPoolExecutor | None,
    theirs: Callable[[Task], Out],
) -> Iterator[tuple[Task, Out]]:
    """Every task with what came of it, done here and in the pool, whichever is free."""
    left = deque(tasks)
    running: dict[Future[Out], Task] = {}
    while left or running:
        while pool is not None and left and len(running) < AHEAD:
            task = left.popleft()
            running[pool.submit(theirs, task)] = task
        if left:
            task = left.popleft()
            yield task, mine(task)
        done = [f for f in running if f.done()] if left else wait(running, return_when=FIRST_COMPLETED).done
        for future in done:
            yield running.pop(future), future.result()


def judged_by_days(
    store: Store,
    home: Home,
    kept: KeptDays,
    *,
    start_ns: int,
    end_ns: int,
    loose: Iterable[Record] = (),
    told: Told | None = None,
    processes: int | None = None,
) -> Days | None:
    """The days of a span of whole ticks; None where nothing was measured in it, or no more than is judged as
    one.

    loose: records that are not in the store, of other minutes than those that are. kept: has what was worked
    out before, and takes what is worked out now.
    """
    asked = _asked(store, home, kept, (start_ns, end_ns), tuple(loose))
    days = days_of(start_ns, end_ns)
    looked = _Worker(asked.order(days), store).windows
    measured = _measured(looked, start_ns, end_ns)
    if measured is None or measured[1] - measured[0] <= LONG_NS:
        return None
    spans = day_spans(*measured)
    order = asked.order(days_of(*measured), spans)
    worker = _Worker(order, store)
    worker.windows.unfinished.update(looked.unfinished)
    found = {s.begin_ns: worker.kept(s) for s in spans}
    left = [s for s in spans if found[s.begin_ns] is None]
    many = min(processes or os.cpu_count() or 1, len(left))
    with ExitStack() as stack:
        pool = None
        if many > 1 and len(left) >= POOL_WORTH:
            # This process works too: two of them are all that a home's memory is asked for.
            pool = stack.enter_context(
                ProcessPoolExecutor(
                    many - 1, mp_context=get_context("spawn"), initializer=_begin, initargs=(order,)
                )
            )
            # Each day is cut once, by whichever process, before two of them need it.
            wanted = dict.fromkeys(day for s in left for day in days_of(s.from_ns, s.to_ns))
            for _ in _each([d for d in wanted if worker.windows.missing(d)], worker.cut, pool, _cut):
                pass
        for done, (span, octets) in enumerate(_each(left, worker.judge, pool, _judge), 1):
            found[span.begin_ns] = None if octets is None else day_of(octets)
            if told is not None:
                told(done, len(left))
    return Days(judged=[day for day in found.values() if day is not None], windows=worker.windows)


def _measured(windows: WindowsByDay, start_ns: int, end_ns: int) -> tuple[int, int] | None:
    """From the first tick in which anything was sent to the end of the last."""

    def edge(day_ns: int, *, last: bool) -> int | None:
        table = windows.span(max(start_ns, day_ns), min(end_ns, day_ns + DAY_NS))
        ticks = np.flatnonzero(table.sent.any(axis=1))
        if not ticks.size:
            return None
        return table.at_ns(int(ticks[-1]) + 1) if last else table.at_ns(int(ticks[0]))

    days = days_of(start_ns, end_ns)
    first = next((at for day in days if (at := edge(day, last=False)) is not None), None)
    end = next((at for day in reversed(days) if (at := edge(day, last=True)) is not None), None)
    return None if first is None or end is None else (first, end)
