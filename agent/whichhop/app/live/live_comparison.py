"""Compares a home while its agents measure: a bulletin each turn, and the newest seconds between two."""

from collections.abc import Iterable, Sequence
from functools import partial

from msgspec import Struct, field
from msgspec.structs import replace

from whichhop.app.advice_of_home import LiveAdvice
from whichhop.app.agents.agents_fetch import DAY_NS
from whichhop.app.live.live_clocks import LiveClocks
from whichhop.app.live.live_news import notice_readings, own_use
from whichhop.app.live.past_faults import PastFaults
from whichhop.app.live.refusals import RefusalsOfLate, refusal_words
from whichhop.app.stored.inner_causes import InnerCauses, StoreRecords, looks_of_late
from whichhop.app.stored.store_seconds import StoreSeconds
from whichhop.app.stored.store_windows import exact_windows, windows_of_store
from whichhop.capacity.transfers import is_of_transfer, room_rates
from whichhop.compare.bulletin import bulletin_of
from whichhop.compare.day_book import DayBook
from whichhop.compare.live import Follower, HomeState
from whichhop.compare.windows.clocks import aligned_readings
from whichhop.compare.windows.filling import seconds_of
from whichhop.compare.windows.seconds import Seconds
from whichhop.compare.windows.table import TICK_NS
from whichhop.config.check import House
from whichhop.inside.felt import felt_of
from whichhop.model import Home, Reading, Record, SessionKey, Verdict, derive_sessions
from whichhop.model.bulletin import Bulletin
from whichhop.model.inner_cause import Felt
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S
from whichhop.store.store import Store

BACK_NS = 40 * NS_PER_S
"""So far back the newest seconds go: what has not been known by then is for the ticks."""
STANDS_NS = 40 * NS_PER_S
"""So long after its begin a word of the seconds stands without one of the ticks, which come ten to twenty
seconds later and want two of them."""

LATE_READINGS_NS = 5 * NS_PER_MINUTE
"""So far back a reading may still come in late."""


ADVICE_DAYS = 2
"""How old a modem's reading may be that live advice rests on; `advise` takes older ones too."""
PLAN_DAYS = 30
"""How old a transfer may be: whether the plan is delivered takes a week of days or more to tell."""


class NewestSeconds(Struct):
    """The open minutes as they came last; a minute that closes stays until the store has it."""

    _open: dict[tuple[SessionKey, int], Record] = field(default_factory=dict)

    def take(self, records: Iterable[Record]) -> None:
        """Newer open minutes; of the same minute the newer stands."""
        self._open |= {(r.session, r.minute): r for r in records}
        newest = max((minute for _, minute in self._open), default=0)
        self._open = {at: r for at, r in self._open.items() if at[1] >= newest - 1}

    def at(self, now_ns: int) -> Seconds:
        """The whole seconds before now."""
        end_ns = now_ns - now_ns % NS_PER_S
        keys = list(dict.fromkeys(session for session, _ in self._open))
        return seconds_of(self._open.values(), keys, end_ns - BACK_NS, end_ns)


class SoonWords(Struct):
    """What the seconds said and the ticks have not yet borne out."""

    _said: list[Verdict] = field(default_factory=list)

    def say(self, verdicts: Iterable[Verdict]) -> None:
        """New words; one of the same elements is the same word, and keeps its begin."""
        known = {v.elements for v in self._said}
        self._said += [v for v in verdicts if v.elements not in known]

    def beside(self, told: Sequence[Verdict], judged_ns: int) -> list[Verdict]:
        """Those that still stand beside what the ticks say, which are judged up to `judged_ns`."""
        self._said = [
            v
            for v in self._said
            if judged_ns < v.start_ns + STANDS_NS
            and not any(set(v.elements) & set(t.elements) and _overlap(v, t) for t in told)
        ]
        return list(self._said)


def _overlap(soon: Verdict, told: Verdict) -> bool:
    return told.end_ns is None or told.end_ns > soon.start_ns


def live_comparison(
    house: House, home_file: str, store: Store, past: PastFaults | None = None
) -> "LiveComparison":
    """Follows a home, recommendations included. home_file: the name that printed commands give."""

    def lately(at_ns: int) -> list[Reading]:
        since_ns = at_ns - ADVICE_DAYS * DAY_NS
        older = store.readings_like("transfer_", from_ns=at_ns - PLAN_DAYS * DAY_NS, to_ns=since_ns)
        return [*older, *store.readings(from_ns=since_ns, to_ns=at_ns)]

    return LiveComparison(house.home, store, LiveAdvice(house, home_file, lately), past)


class _Told(Struct, frozen=True, kw_only=True):
    """What the last turn said; ticks_say: the verdicts of the ticks alone, judged up to due_ns."""

    ticks_say: Sequence[Verdict]
    due_ns: int
    bulletin: Bulletin


class LiveComparison:
    """Follows one home from the store that its agents' records are collected in.

    advice: what gives the next steps; the verdicts' own words do without it. past: what keeps the verdicts
    for weeks, where somebody follows for so long.
    """

    def __init__(
        self, home: Home, store: Store, advice: LiveAdvice | None = None, past: PastFaults | None = None
    ) -> None:
        self.home = home
        self._advice = advice
        self._past = past
        self._store = store
        self._book = DayBook()
        self.told: list[Verdict] = []
        """The last day's verdicts after the newest turn, in order of time."""
        self._follower: Follower | None = None
        self._seen: set[Reading] = set()
        self._rates: list[Reading] = []
        self._refusals = RefusalsOfLate(store, home)
        self._newest, self._soon = NewestSeconds(), SoonWords()
        self._told_last: _Told | None = None
        self._causes = InnerCauses(home, store)
        self._clocks = LiveClocks(home, store)

    def turn(
        self,
        due_ns: int,
        open_records: Iterable[Record] = (),
        *,
        anew: bool = False,
        troubles: dict[str, str] | None = None,
    ) -> Bulletin | None:
        """Judge all ticks that end by `due_ns`, a whole tick; None while nothing was ever measured.

        The first turn judges the last day that is kept, so that the baseline is there at once. anew: do so
        again, since minutes that were judged already are known better now.
        """
        open_records = list(open_records)
        begin = self._follower.end_ns if self._follower else 0
        anew = self._clocks.moved(due_ns, open_records, anew=anew or self._follower is None) or anew
        if anew or self._follower is None or not begin - NS_PER_MINUTE <= due_ns <= begin + DAY_NS:
            follower = self._begin(due_ns, open_records)
            if follower is None:
                return None
            self._follower = follower
        elif due_ns > begin:
            piece = exact_windows(
                self._store,
                self.home,
                start_ns=begin,
                end_ns=due_ns,
                extra=open_records,
                clocks=self._clocks.off_s,
            )
            self._follower.feed(piece, self._readings(begin - LATE_READINGS_NS, due_ns))
        self._newest.take(open_records)
        refused = refusal_words(self._refusals.turn(open_records, due_ns, anew=anew))
        standing = self._follower.standing()
        ticks_say = self._book.take(standing.verdicts, standing.judged_ns, due_ns)
        ticks_say = self._with_causes(ticks_say, standing, due_ns, list(open_records))
        self.told = [*ticks_say, *self._soon.beside(ticks_say, due_ns)]
        steps = None
        notes = [m for m in self._store.notes().values() if due_ns - DAY_NS <= m.at_ns <= due_ns]
        if self._advice is not None:
            since = max(standing.table.start_ns, due_ns - DAY_NS)
            felt = partial(self._felt, standing, due_ns, list(open_records))
            steps = self._advice.steps(self.told, standing.sessions, since, due_ns, notes, felt=felt)
        modems = self._advice.modems if self._advice is not None else ()
        past = None
        if self._past is not None:
            month = self._past.turn(ticks_say, standing, modems, due_ns)
            past, modems = month.days, month.modems
        self._told_last = _Told(
            ticks_say=ticks_say,
            due_ns=due_ns,
            bulletin=bulletin_of(
                standing,
                self.told,
                troubles={**self._clocks.words, **refused, **(troubles or {})},
                rooms=room_rates(self.home, self._rates),
                notes=notes,
                steps=steps,
                modems=modems,
                past=past,
                felt=self._advice.felt if self._advice is not None else (),
                own_use=own_use(self._store, due_ns),
                notices=notice_readings(self._store, due_ns),
            ),
        )
        return self._told_last.bulletin

    def _felt(self, standing: HomeState, due_ns: int, loose: Sequence[Record]) -> tuple[Felt, ...]:
        looks = looks_of_late(self._store, due_ns)
        ongoing = [v for v in self.told if v.end_ns is None]
        return felt_of(self.home, looks, standing.table, StoreRecords(self._store, loose), ongoing)

    def _with_causes(
        self, verdicts: Sequence[Verdict], standing: HomeState, due_ns: int, loose: Sequence[Record]
    ) -> list[Verdict]:
        """The verdicts with why their hop is slow; they themselves never change by it."""
        from_ns = standing.table.start_ns - NS_PER_MINUTE
        return self._causes.added(
            verdicts,
            table=standing.table,
            sessions=standing.sessions,
            readings=lambda: list(self._store.readings(from_ns=from_ns, to_ns=due_ns)),
            loose=loose,
            at_ns=due_ns,
        )

    def soon(self, now_ns: int, open_records: Iterable[Record]) -> Bulletin | None:
        """What the seconds since the last turn show; None where they add nothing to its bulletin."""
        last = self._told_last
        if self._follower is None or last is None or self._clocks.off_s:
            return None  # by a clock that is off, seconds of several agents do not lie side by side
        self._newest.take(open_records)
        new = self._follower.soon(self._newest.at(now_ns))
        before = len(self.told)
        self._soon.say(new)
        self.told = [*last.ticks_say, *self._soon.beside(last.ticks_say, last.due_ns)]
        if len(self.told) <= before:
            return None
        told = bulletin_of(self._follower.standing(), self.told).told
        return replace(last.bulletin, at_ns=now_ns, told=told)

    def _begin(self, due_ns: int, open_records: Iterable[Record]) -> Follower | None:
        piece = windows_of_store(
            self._store,
            self.home,
            start_ns=due_ns - DAY_NS,
            end_ns=due_ns,
            extra=open_records,
            processes=1,
            clocks=self._clocks.off_s,
            step_ns=TICK_NS,
        )
        if piece is None:
            return None
        self._seen.clear()
        self._rates.clear()
        sessions = derive_sessions(self.home)
        inside = None if self._clocks.off_s else StoreSeconds(self._store, tuple(s.key for s in sessions))
        follower = Follower(self.home, sessions, start_ns=piece.start_ns, seconds=inside)
        follower.feed(piece, self._readings(piece.start_ns - NS_PER_MINUTE, due_ns))
        if follower.end_ns < due_ns:
            # Nothing was heard lately; that is part of what stands now.
            rest = exact_windows(
                self._store,
                self.home,
                start_ns=follower.end_ns,
                end_ns=due_ns,
                extra=open_records if self._clocks.off_s else (),
                clocks=self._clocks.off_s,
            )
            follower.feed(rest)
        return follower

    def _readings(self, from_ns: int, to_ns: int) -> list[Reading]:
        """Readings of a span that were not given before, each at its time by the clocks put in line."""
        reach_ns = self._clocks.reach_ns
        kept = self._store.readings(from_ns=from_ns - reach_ns, to_ns=to_ns + reach_ns)
        found = [r for r in kept if r not in self._seen]
        self._rates += filter(is_of_transfer, found)
        late = to_ns - 2 * (LATE_READINGS_NS + reach_ns)
        self._seen = {r for r in self._seen if r.at_ns > late} | {r for r in found if r.at_ns > late}
        return list(aligned_readings(found, self._clocks.off_s))
