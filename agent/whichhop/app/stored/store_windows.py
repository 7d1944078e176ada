"""A store's history as the comparer's windows, cut on as many processors as it is worth, and compared."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import partial
from types import MappingProxyType

import numpy as np
from msgspec.structs import replace

from whichhop.app.stored.by_days import Told, judged_by_days
from whichhop.app.stored.collect import Opened
from whichhop.app.stored.inner_causes import StoreRecords, comparison_with_causes, looks_of_late
from whichhop.app.stored.store_seconds import HourlySeconds, StoreSeconds
from whichhop.compare.comparison import Comparison, compare_windows, comparison_of_days
from whichhop.compare.day_judging import LONG_NS
from whichhop.compare.windows.clocks import ahead_of_records, move_of
from whichhop.compare.windows.filling import Cutter, fitting_step
from whichhop.compare.windows.table import COUNTS, QUANTILES, TICK_NS, WindowTable, empty_table, whole_ticks
from whichhop.inside.felt import felt_of
from whichhop.model import Home, Method, Record, SessionKey, derive_sessions
from whichhop.model.units import NS_PER_MINUTE, minute_of
from whichhop.store.columns import SessionColumns, each_session, records_within
from whichhop.store.kept_days import KeptDays
from whichhop.store.store import Store

CLOCK_MINUTES = 6
"""Minutes of a span in which the agents' clocks are compared: a clock that is off is so for days."""


def compared(
    source: Opened,
    home: Home,
    *,
    start_ns: int,
    end_ns: int,
    told: Told | None = None,
    processes: int | None = None,
) -> Comparison | None:
    """What an open store and its agents' open minutes say of a span, and why a hop is slow.

    None when nothing was measured then. told: hears how far the days of a long span are.
    """
    records = StoreRecords(source.store, source.open_records)
    found = _by_days(source, home, start_ns=start_ns, end_ns=end_ns, told=told, processes=processes)
    if found is None:
        readings = list(source.store.readings(from_ns=start_ns - NS_PER_MINUTE, to_ns=end_ns))
        windows = windows_of_store(
            source.store, home, start_ns=start_ns, end_ns=end_ns, extra=source.open_records
        )
        found = None if windows is None else compare_windows(home, windows, readings)
        if found is None:
            return None
        found = comparison_with_causes(found, records, readings)
    looks = looks_of_late(source.store, end_ns)
    return replace(found, felt=felt_of(home, looks, found.judged.windows, records, found.verdicts))


def _by_days(
    source: Opened, home: Home, *, start_ns: int, end_ns: int, told: Told | None, processes: int | None
) -> Comparison | None:
    """The same of a long span, its verdicts with their causes; None where it is no long one."""
    start_ns, end_ns = measured_span(source.store, start_ns, end_ns, source.open_records)
    if end_ns - start_ns <= LONG_NS:
        return None
    with KeptDays.beside(source.store.db.path) as kept:
        found = judged_by_days(
            source.store,
            home,
            kept,
            start_ns=start_ns,
            end_ns=end_ns,
            loose=source.open_records,
            told=told,
            processes=processes,
        )
        if found is None:
            return None
        return comparison_of_days(home, found.judged, found.windows.own)


def measured_span(store: Store, start_ns: int, end_ns: int, loose: Iterable[Record] = ()) -> tuple[int, int]:
    """The whole ticks of a span, from the first minute measured on."""
    span = store.span()
    minutes = [r.minute for r in loose] + ([span[0]] if span else [])
    first_ns = min(minutes, default=0) * NS_PER_MINUTE
    return whole_ticks(max(start_ns, first_ns), end_ns)


def windows_of_store(
    store: Store,
    home: Home,
    *,
    start_ns: int,
    end_ns: int,
    extra: Iterable[Record] = (),
    processes: int | None = None,
    clocks: Mapping[str, float] = MappingProxyType({}),
    step_ns: int | None = None,
) -> WindowTable | None:
    """The home's own sessions from `start_ns` to `end_ns`; None when nothing was measured then.

    extra: records that are not in the store, of other minutes than those that are. Windows lie on whole
    multiples of their length since the epoch and begin no earlier than the first minute measured. step_ns:
    their length; None: as long as probes are seldom. clocks: see `exact_windows`.
    """
    extra = list(extra)
    loose = [
        r for r in extra if start_ns < (r.minute + 1) * NS_PER_MINUTE and r.minute * NS_PER_MINUTE < end_ns
    ]
    span = store.span()
    minutes = [r.minute for r in loose] + ([span[0]] if span else [])
    if not minutes:
        return None
    start_ns = max(start_ns, min(minutes) * NS_PER_MINUTE)
    begin, end = whole_ticks(start_ns, end_ns)
    if begin >= end:
        return None
    cut = partial(
        exact_windows,
        store,
        home,
        end_ns=end_ns,
        extra=extra if clocks else loose,
        processes=processes,
        clocks=clocks,
    )
    table = cut(start_ns=start_ns)
    step_ns = step_ns or fitting_step(table)
    if step_ns != TICK_NS:
        table = cut(start_ns=begin - begin % step_ns, step_ns=step_ns)
    kept = set(store.sessions())
    keys = [k for k in table.sessions if k in kept]
    ahead = ahead_in(store, keys, begin, end, loose)
    seconds = HourlySeconds(StoreSeconds(store, tuple(keys), tuple(loose)))
    return _heard(replace(table, ahead_s=ahead, seconds=seconds))


def exact_windows(
    store: Store,
    home: Home,
    *,
    start_ns: int,
    end_ns: int,
    extra: Iterable[Record] = (),
    processes: int | None = 1,
    clocks: Mapping[str, float] = MappingProxyType({}),
    step_ns: int = TICK_NS,
) -> WindowTable:
    """The whole ticks of a span, those in which nothing was measured too; see `windows_of_store`.

    clocks: by agent, by how many seconds its clock is ahead; its packets are taken from as much later or
    earlier, which is what `clocks.aligned` does to a table that is cut already.
    """
    loose = list(extra)
    kept = set(store.sessions())
    known = {r.session for r in loose}
    keys = [s.key for s in derive_sessions(home) if s.key in kept or s.key in known]
    start_ns, end_ns = whole_ticks(start_ns, end_ns)
    table = empty_table(keys, start_ns, -(-(end_ns - start_ns) // step_ns), step_ns)
    moves = {key: move_of(clocks, key.agent, table.step_ns) for key in keys}
    stamps: dict[SessionKey, frozenset[str]] = {}
    for move in sorted({0, *moves.values()}):
        mine = [key for key in keys if moves[key] == move]
        alone = move == 0 and len(mine) == len(keys)
        part = table if alone else empty_table(mine, table.at_ns(move), table.ticks, step_ns)
        stamps |= _fill(part, store, [k for k in mine if k in kept], processes)
        Cutter.into(part).add([r for r in loose if moves.get(r.session) == move])
        if not alone:
            place = [keys.index(key) for key in mine]
            for name in (*COUNTS, *QUANTILES):
                getattr(table, name)[:, place] = getattr(part, name)
    # An open minute names the stamps of the one before, or none when there was none.
    told = {r.session: r.stamps for r in loose if r.stamps}
    return replace(table, stamps={k: frozenset({s}) for k, s in told.items()} | stamps)


def ahead_in(
    store: Store, keys: Sequence[SessionKey], start_ns: int, end_ns: int, loose: Iterable[Record] = ()
) -> dict[SessionKey, float]:
    """What minutes spread over a span tell of the agents' clocks, by session (see WindowTable.ahead_s)."""
    return ahead_of_records([*loose, *_some(store, keys, start_ns, end_ns)])


def _some(store: Store, keys: Sequence[SessionKey], start_ns: int, end_ns: int) -> Iterator[Record]:
    """Minutes spread over a span, of the sessions that may tell of clocks."""
    first, end = minute_of(start_ns), minute_of(end_ns - 1) + 1
    stride = max(1, (end - first) // CLOCK_MINUTES)
    for key in keys:
        if key.method is Method.STAMP:
            for minute in range(first, end, stride):
                yield from store.session_records(key, minute, minute + 1, records_within)


def _fill(
    table: WindowTable, store: Store, keys: Sequence[SessionKey], processes: int | None
) -> dict[SessionKey, frozenset[str]]:
    """Fill the arrays in place; whose stamps timed each session."""
    start_ns, end_ns = table.start_ns, table.at_ns(table.ticks)
    minutes = (minute_of(start_ns), minute_of(end_ns - 1) + 1)
    cut = partial(_cut, start_ns, end_ns, table.step_ns)
    parts = each_session(store, keys, cut, span=minutes, wanted=("rtt_ns",), processes=processes)
    place = {key: i for i, key in enumerate(table.sessions)}
    stamps: dict[SessionKey, frozenset[str]] = {}
    for key, part in zip(keys, parts, strict=True):
        stamps |= part.stamps
        for name in (*COUNTS, *QUANTILES):
            getattr(table, name)[:, place[key]] = getattr(part, name)[:, 0]
    return stamps


def _cut(start_ns: int, end_ns: int, step_ns: int, columns: SessionColumns) -> WindowTable:
    """One session's windows; runs in a process of its own, so a module's function."""
    cutter = Cutter([columns.session], start_ns=start_ns, end_ns=end_ns, step_ns=step_ns)
    assert columns.rtt_ns is not None  # noqa: S101 - it was asked for
    cutter.add_columns(columns.session, columns.sent_ns, columns.fate, columns.rtt_ns)
    return replace(cutter.table, stamps={columns.session: columns.stamps} if columns.stamps else {})


def _heard(table: WindowTable) -> WindowTable | None:
    """The measured span, and without sessions that were never heard."""
    found = table.measured()
    if found is None:
        return None
    columns = np.flatnonzero(found.sent.any(axis=0))
    return found.picked([table.sessions[i] for i in columns])
