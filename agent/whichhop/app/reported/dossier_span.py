"""The judged span that a dossier is about, from a store's records: a long one judged by the day."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import partial
from zoneinfo import ZoneInfo

from msgspec import Struct
from msgspec.structs import replace

from whichhop.app.stored.by_days import judged_by_days, windows_by_days
from whichhop.app.stored.day_windows import DAY_NS, WindowsByDay, counted_of, days_of
from whichhop.app.stored.inner_causes import StoreRecords, looks_of_late
from whichhop.app.stored.store_seconds import StoreSeconds
from whichhop.app.stored.store_windows import ahead_in
from whichhop.claim.claim import chosen
from whichhop.claim.pseudonyms import StandIns
from whichhop.claim.reach import reach_of
from whichhop.claim.span import JudgedSpan, judged_span
from whichhop.compare.comparison import (
    Comparison,
    Judged,
    compare_windows,
    comparison_of_days,
    days_of_windows,
    judged_days,
)
from whichhop.compare.day_judging import LONG_NS, own_windows
from whichhop.compare.windows.filling import fitting_step
from whichhop.compare.windows.own_traffic import COUNTERS
from whichhop.compare.windows.seconds import Seconds
from whichhop.compare.windows.table import TICK_NS, WindowTable
from whichhop.compare.windows.tally import (
    Reduced,
    Tally,
    reduced,
    side_by_side,
    tally_of,
    tally_of_days,
    within,
)
from whichhop.inside.felt import felt_of
from whichhop.inside.gather import InnerFacts, with_causes
from whichhop.inside.packets import RecordsOf
from whichhop.model import Home, Reading, Record, SessionKey, derive_sessions
from whichhop.model.dossier import Reach
from whichhop.model.inner_cause import Felt
from whichhop.model.units import NS_PER_MINUTE, minute_of
from whichhop.store.columns import SessionColumns, each_session
from whichhop.store.kept_days import KeptDays
from whichhop.store.store import Store


class Spanned(Struct, frozen=True, kw_only=True):
    """A judged span of what was measured, what each session's samples of the span asked for came to, how far
    it reaches, and what is felt though no hop is slow."""

    span: JudgedSpan
    tallies: Mapping[SessionKey, Tally]
    start_ns: int
    end_ns: int
    reach: Reach
    felt: tuple[Felt, ...]


class Spanning(Struct, frozen=True, kw_only=True):
    """What is to be judged: whole ticks. home: as it is shown nowhere yet. stand: stand-ins for its names,
    None where they are shown. zone: of causes by the hour. kept: whether what was worked out before counts;
    who checks a report must not rely on it."""

    store: Store
    home: Home
    stand: StandIns | None
    start_ns: int
    end_ns: int
    zone: str
    kept: bool

    def judged(self) -> Spanned | None:
        """Under the names that are shown; None when nothing of the home was measured then."""
        if self.end_ns - self.start_ns > LONG_NS:
            beside = KeptDays.beside if self.kept else KeptDays.passing
            with beside(self.store.db.path) as kept:
                found = self._by_days(kept) if self.stand is None else self._hidden_by_days(kept)
            if found is not None:
                return found
        return self._as_one()

    def _shown(self) -> dict[SessionKey, SessionKey]:
        """The home's sessions that are kept, and the names under which they are shown."""
        kept = set(self.store.sessions())
        keys = [s.key for s in derive_sessions(self.home) if s.key in kept]
        return {key: self.stand.key(key) if self.stand else key for key in keys}

    def _readings(self, but: Sequence[str] = ()) -> tuple[Reading, ...]:
        kept = self.store.readings_but(but, from_ns=self.start_ns - NS_PER_MINUTE, to_ns=self.end_ns)
        return tuple(renamed(kept, self.stand))

    def _seconds(self, shown: Mapping[SessionKey, SessionKey], start_ns: int, end_ns: int) -> Seconds:
        """Those of the store, under the names that are shown."""
        found = StoreSeconds(self.store, tuple(shown))(start_ns, end_ns)
        return replace(found, sessions=tuple(shown[key] for key in found.sessions))

    def _cut(
        self, shown: Mapping[SessionKey, SessionKey], start_ns: int, step_ns: int
    ) -> tuple[WindowTable, tuple[Tally, ...]]:
        minutes = (minute_of(start_ns), minute_of(self.end_ns - 1) + 1)
        reduce = partial(_reduced, (start_ns, self.end_ns, step_ns))
        parts = (_renamed_part(p, shown) for p in each_session(self.store, list(shown), reduce, span=minutes))
        return side_by_side(
            sorted(shown.values()), parts, start_ns=start_ns, end_ns=self.end_ns, step_ns=step_ns
        )

    def _as_one(self) -> Spanned | None:
        shown = self._shown()
        table, tallies = self._cut(shown, self.start_ns, TICK_NS)
        # As long as `compare` takes them where probes are seldom, so that both give one answer.
        if (step_ns := fitting_step(table)) != TICK_NS:
            table, _ = self._cut(shown, self.start_ns - self.start_ns % step_ns, step_ns)
        readings = self._readings()
        kept = ahead_in(self.store, list(shown), table.start_ns, table.at_ns(table.ticks))
        ahead = {shown[key]: seconds for key, seconds in kept.items()}
        table = replace(table, ahead_s=ahead, seconds=partial(self._seconds, shown))
        found = compare_windows(self._home_shown, table, readings)
        if found is None:
            return None
        span = self._with_causes(self._span(found, readings), shown)
        return self._spanned(found, span, {t.session: t for t in tallies}, shown)

    def _by_days(self, kept: KeptDays) -> Spanned | None:
        days = judged_by_days(self.store, self.home, kept, start_ns=self.start_ns, end_ns=self.end_ns)
        if days is None:
            return None
        found = comparison_of_days(self.home, days.judged, days.windows.own)
        whole = judged_days(self.home, days.judged, days.windows.own)
        # What the counters tell is in the days already.
        span = self._span(found, self._readings(but=tuple(COUNTERS)), whole)
        return self._spanned(found, span, self._tallies(days.windows), self._shown())

    def _hidden_by_days(self, kept: KeptDays) -> Spanned | None:
        """The same under stand-ins: what is kept has the true names, so only windows are taken from it."""
        windows = windows_by_days(self.store, self.home, kept, self.start_ns, self.end_ns)
        table = windows.span(self.start_ns, self.end_ns).measured()
        if table is None or table.ticks * table.step_ns <= LONG_NS:
            return None
        shown = self._shown()
        table = replace(_renamed_table(table, shown), seconds=partial(self._seconds, shown))
        home, readings = self._home_shown, self._readings()
        days = days_of_windows(home, table, readings)
        found = comparison_of_days(home, days, partial(own_windows, table))
        whole = judged_days(home, days, partial(own_windows, table))
        span = self._with_causes(self._span(found, readings, whole), shown)
        tallies = {shown[key]: replace(t, session=shown[key]) for key, t in self._tallies(windows).items()}
        return self._spanned(found, span, tallies, shown)

    @property
    def _home_shown(self) -> Home:
        return self.stand.home if self.stand else self.home

    def _span(
        self, found: Comparison, readings: Sequence[Reading], whole: Judged | None = None
    ) -> JudgedSpan:
        # What was not measured is not in the report: the span is that of the samples.
        start_ns, end_ns = found.start_ns - NS_PER_MINUTE, found.end_ns
        return judged_span(found, (r for r in readings if start_ns <= r.at_ns <= end_ns), whole)

    def _spanned(
        self,
        found: Comparison,
        span: JudgedSpan,
        tallies: Mapping[SessionKey, Tally],
        shown: Mapping[SessionKey, SessionKey],
    ) -> Spanned:
        looks = tuple(renamed(looks_of_late(self.store, self.end_ns), self.stand))
        records = self._records(shown)
        return Spanned(
            span=span,
            tallies=tallies,
            start_ns=found.start_ns,
            end_ns=found.end_ns,
            reach=reach_of(found),
            felt=felt_of(span.home, looks, found.judged.windows, records, span.verdicts),
        )

    def _records(self, shown: Mapping[SessionKey, SessionKey]) -> RecordsOf:
        """The packets behind the windows, under the names that are shown."""
        true = {name: key for key, name in shown.items()}
        kept = StoreRecords(self.store)

        def records(keys: Sequence[SessionKey], start_ns: int, end_ns: int) -> Iterator[Record]:
            for record in kept([true[key] for key in keys], start_ns, end_ns):
                yield replace(record, session=shown[record.session])

        return records

    def _with_causes(self, span: JudgedSpan, shown: Mapping[SessionKey, SessionKey]) -> JudgedSpan:
        """The same span, its verdicts with the cause inside their hop: first those that the report is
        about."""
        known = InnerFacts(
            home=span.home,
            sessions=span.sessions,
            table=span.table,
            readings=span.readings,
            records=self._records(shown),
            zone=ZoneInfo(self.zone),
        )
        return replace(span, verdicts=tuple(with_causes(span.verdicts, known, chosen(span))))

    def _tallies(self, windows: WindowsByDay) -> dict[SessionKey, Tally]:
        """By session, its days' tallies as one; a day that the span cuts is counted from its records."""
        by_key: dict[SessionKey, list[Tally]] = {}
        for day_ns in days_of(self.start_ns, self.end_ns):
            whole = self.start_ns <= day_ns and day_ns + DAY_NS <= self.end_ns
            for tally in windows.tallies(day_ns) if whole else self._part_of_day(day_ns):
                by_key.setdefault(tally.session, []).append(tally)
        return {key: tally_of_days(parts) for key, parts in by_key.items()}

    def _part_of_day(self, day_ns: int) -> Iterator[Tally]:
        start_ns, end_ns = max(self.start_ns, day_ns), min(self.end_ns, day_ns + DAY_NS)
        minutes = (minute_of(start_ns), minute_of(end_ns - 1) + 1)
        reduce = partial(_tally, start_ns, end_ns)
        for tally in each_session(self.store, list(self._shown()), reduce, span=minutes):
            if tally.samples:
                yield tally


def _reduced(span_ns: tuple[int, int, int], columns: SessionColumns) -> Reduced:
    """What a reading process hands back of one session."""
    return reduced(counted_of(columns), *span_ns)


def _tally(start_ns: int, end_ns: int, columns: SessionColumns) -> Tally:
    return tally_of(within(counted_of(columns), start_ns, end_ns))


def _renamed_part(part: Reduced, shown: Mapping[SessionKey, SessionKey]) -> Reduced:
    return replace(part, tally=replace(part.tally, session=shown[part.tally.session]))


def _renamed_table(table: WindowTable, shown: Mapping[SessionKey, SessionKey]) -> WindowTable:
    """Under the names that are shown, in their order."""
    named = replace(
        table,
        sessions=tuple(shown[key] for key in table.sessions),
        stamps={shown[key]: groups for key, groups in table.stamps.items()},
        ahead_s={shown[key]: seconds for key, seconds in table.ahead_s.items()},
    )
    return named.picked(sorted(named.sessions))


def renamed(readings: Iterable[Reading], stand: StandIns | None) -> Iterator[Reading]:
    """Readings under the names that are shown."""
    return (stand.reading(r) if stand else r for r in readings)
