"""The windows of UTC days of a store, kept beside it once a day is finished; cut by a process of its own."""

from collections import OrderedDict
from collections.abc import Mapping, Sequence

import numpy as np
from msgspec import Struct, field
from msgspec.structs import replace

from whichhop.compare.day_judging import DaySpan
from whichhop.compare.windows.clocks import ahead_s
from whichhop.compare.windows.compact import UNREADABLE, folded, unfolded
from whichhop.compare.windows.filling import Cutter
from whichhop.compare.windows.table import (
    TICK_NS,
    WindowTable,
    empty_table,
    one_after_another,
)
from whichhop.compare.windows.tally import Counted, Tally, tally_of, within
from whichhop.model import Home, Record, SessionKey, derive_sessions
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S, minute_of
from whichhop.store.columns import SessionColumns, each_session
from whichhop.store.kept_days import KeptDays, date_of
from whichhop.store.store import Store

DAY_NS = 24 * 3600 * NS_PER_S
WINDOWS = "windows"
IN_MEMORY = 1
"""Days held beside the stretch that is put together: a large home's is 23 MB, and read in a sixteenth of a
second."""

UNFINISHED = 2
"""Days that may not be kept yet and are held packed, 7 MB each of a large home: the newest two."""


def counted_of(columns: SessionColumns) -> Counted:
    """A session's columns, all of them, as what is counted."""
    assert columns.rtt_ns is not None  # noqa: S101 - all delay columns are asked for
    assert columns.out_ns is not None  # noqa: S101
    assert columns.queue_ns is not None  # noqa: S101
    errors = [f.clock_error_ns for f in columns.facts if f.clock_error_ns is not None]
    return Counted(
        session=columns.session,
        sent_ns=columns.sent_ns,
        fate=columns.fate,
        rtt_ns=columns.rtt_ns,
        out_ns=columns.out_ns,
        queue_ns=columns.queue_ns,
        duplicates=sum(f.duplicates * f.times for f in columns.facts),
        reordered=sum(f.reordered * f.times for f in columns.facts),
        stamps=tuple(sorted(columns.stamps)),
        clock_error_ns=max(errors, default=None),
    )


class DayWindows(Struct, frozen=True, kw_only=True):
    """A UTC day's whole ticks, silent sessions left out, and what each session's samples came to."""

    table: WindowTable
    tallies: tuple[Tally, ...]


def cut_day(store: Store, home: Home, day_ns: int, loose: Sequence[Record] = ()) -> DayWindows:
    """A UTC day of the home's own sessions. loose: records that are not in the store, of other minutes."""
    end_ns = day_ns + DAY_NS
    extra = [r for r in loose if day_ns <= r.minute * NS_PER_MINUTE < end_ns]
    kept, known = set(store.sessions()), {r.session for r in extra}
    keys = [s.key for s in derive_sessions(home) if s.key in kept or s.key in known]
    table = empty_table(keys, day_ns, DAY_NS // TICK_NS)
    cutter = Cutter.into(table)
    span = (minute_of(day_ns), minute_of(end_ns))
    stamps: dict[SessionKey, frozenset[str]] = {r.session: frozenset({r.stamps}) for r in extra if r.stamps}
    ahead: dict[SessionKey, float] = {}
    tallies = []
    asked = [key for key in keys if key in kept]
    for columns in each_session(store, asked, _as_it_is, span=span, processes=1):
        counted = within(counted_of(columns), day_ns, end_ns)
        cutter.add_columns(counted.session, counted.sent_ns, counted.fate, counted.rtt_ns)
        if columns.stamps:
            stamps[counted.session] = columns.stamps
        found = ahead_s(counted.out_ns, counted.rtt_ns)
        if found is not None:
            ahead[counted.session] = found
        if len(counted.sent_ns):
            tallies.append(tally_of(counted))
    cutter.add(extra)
    there = np.asarray(((table.sent > 0) | (table.aside > 0)).any(axis=0))
    heard = [key for i, key in enumerate(keys) if there[i]]
    table = replace(table, stamps=stamps, ahead_s=ahead).picked(heard)
    return DayWindows(table=table, tallies=tuple(tallies))


def _as_it_is(columns: SessionColumns) -> SessionColumns:
    return columns


class WindowsByDay(Struct):
    """Where the windows of days are had from: what is kept, else the store; the newest few stay in memory.

    keys: of each day that may be kept, by its begin; one of another key is cut anew. loose: records that are
    not in the store yet.
    """

    store: Store
    home: Home
    kept: KeptDays
    keys: Mapping[int, bytes]
    loose: Sequence[Record] = ()
    unfinished: dict[int, bytes] = field(default_factory=dict)
    """Days that may not be kept, as kept ones are: of each the others' run-out asks again."""
    _tallies: dict[int, tuple[Tally, ...]] = field(default_factory=dict)
    _sessions: dict[int, tuple[SessionKey, ...]] = field(default_factory=dict)
    _held: "OrderedDict[int, DayWindows]" = field(default_factory=OrderedDict)

    def day(self, day_ns: int) -> DayWindows:
        """A UTC day by its begin."""
        if day_ns not in self._held:
            found = self._of_kept(day_ns) or self._cut(day_ns)
            self._held[day_ns] = found
            self._tallies[day_ns], self._sessions[day_ns] = found.tallies, found.table.sessions
            while len(self._held) > IN_MEMORY:
                self._held.popitem(last=False)
        self._held.move_to_end(day_ns)
        return self._held[day_ns]

    def tallies(self, day_ns: int) -> tuple[Tally, ...]:
        """What the samples of a UTC day came to, by session."""
        return self._tallies[day_ns] if day_ns in self._tallies else self.day(day_ns).tallies

    def span(self, start_ns: int, end_ns: int) -> WindowTable:
        """The whole ticks of a span of days, each session of the home that was heard in it as a column."""
        days = days_of(start_ns, end_ns)
        if len(days) == 1 and (start_ns, end_ns) == (days[0], days[0] + DAY_NS):
            return self.day(start_ns).table
        heard = {key for at in days for key in self._heard(at)}
        keys = [s.key for s in derive_sessions(self.home) if s.key in heard]
        return one_after_another((self.day(at).table for at in days), keys, start_ns, end_ns)

    def _heard(self, day_ns: int) -> tuple[SessionKey, ...]:
        return self._sessions[day_ns] if day_ns in self._sessions else self.day(day_ns).table.sessions

    def own(self, span: DaySpan) -> WindowTable:
        """A judged day's own ticks."""
        return self.span(span.begin_ns, span.end_ns)

    def missing(self, day_ns: int) -> bool:
        """Whether the day would have to be cut and could then be kept."""
        return day_ns in self.keys and self._of_kept(day_ns) is None

    def _of_kept(self, day_ns: int) -> DayWindows | None:
        if day_ns in self.keys:
            octets = self.kept.get(WINDOWS, date_of(day_ns), self.keys[day_ns])
        else:
            octets = self.unfinished.get(day_ns)
        if octets is None:
            return None
        try:
            table, tallies = unfolded(octets)
        except UNREADABLE:
            return None
        return DayWindows(table=table, tallies=tallies)

    def _cut(self, day_ns: int) -> DayWindows:
        found = cut_day(self.store, self.home, day_ns, self.loose)
        octets = folded(found.table, found.tallies)
        if day_ns in self.keys:
            self.kept.put(WINDOWS, date_of(day_ns), self.keys[day_ns], octets)
        else:
            self.unfinished[day_ns] = octets
            while len(self.unfinished) > UNFINISHED:
                del self.unfinished[next(iter(self.unfinished))]
        return found


def days_of(start_ns: int, end_ns: int) -> range:
    """The begins of the UTC days that a span touches."""
    return range(start_ns - start_ns % DAY_NS, end_ns, DAY_NS)
