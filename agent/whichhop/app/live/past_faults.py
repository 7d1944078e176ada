"""Keeps in the comparer's store what each turn found: for weeks, and over a restart."""

from collections.abc import Iterable, Sequence
from datetime import tzinfo

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from whichhop.app.stored.modem_now import DAY_NS, HOUR_NS
from whichhop.compare.day_book import day_bounds, level_days, past_days
from whichhop.compare.live import HomeState
from whichhop.model import Verdict
from whichhop.model.channel import LevelSpan, ModemNow
from whichhop.model.past_fault import NO_FAULTS, PastDays, PastFault
from whichhop.model.units import NS_PER_MINUTE
from whichhop.store import past_faults
from whichhop.store.store import Store


def _past(verdict: Verdict, now_ns: int) -> PastFault:
    return PastFault(
        cause=verdict.cause,
        elements=verdict.elements,
        start_ns=verdict.start_ns,
        end_ns=now_ns if verdict.end_ns is None else verdict.end_ns,
    )


class PastMonth(Struct, frozen=True, kw_only=True):
    """The last month by the day, and the modems with their levels of it."""

    days: PastDays
    modems: tuple[ModemNow, ...]


class PastFaults:
    """What the store keeps of the past, as it stands after the newest turn.

    Only what this run found can be withdrawn by it: after a restart the first minutes are learned from anew,
    and a fault in them that an earlier run saw is not found again.
    """

    def __init__(self, store: Store, zone: tzinfo | None) -> None:
        """zone: the home's; None is this machine's."""
        self._store, self._zone = store, zone
        self._from_ns: int | None = None
        self._mine: set[tuple[int, tuple[str, ...]]] = set()
        self._told: object = None
        self._days: PastDays | None = None
        self._levels: dict[str, tuple[LevelSpan, ...]] = {}

    def turn(
        self, verdicts: Sequence[Verdict], standing: HomeState, modems: Sequence[ModemNow], now_ns: int
    ) -> PastMonth:
        """Keep what is new, once a minute and when a fault comes or goes.

        verdicts: all of the last day, the ongoing ones too.
        """
        if self._from_ns is None:
            self._from_ns = standing.table.start_ns
        found = [_past(v, now_ns) for v in verdicts if v.cause not in NO_FAULTS]
        told = (now_ns // NS_PER_MINUTE, [(v.start_ns, v.elements, v.cause, v.end_ns) for v in verdicts])
        if self._days is None or told != self._told:
            bounds = day_bounds(now_ns, self._zone)
            db = self._store.db
            with self._store.transaction():
                faults = self._keep(found, bounds[0], now_ns)
                self._keep_judged(standing)
                for modem in modems:
                    # The oldest hour that is shown has lost its begin, so what was kept of it stands.
                    whole = [h for h in modem.hours if h.start_ns >= now_ns - DAY_NS]
                    past_faults.put_levels(db, modem.node, whole)
            judged = past_faults.judged(db, bounds[0])
            self._days = past_days(faults, judged, now_ns=now_ns, zone=self._zone)
            self._levels = {
                m.node: level_days(past_faults.levels(db, m.node, bounds[0]), bounds) for m in modems
            }
            self._told = told
        shown = (replace(m, days=self._levels.get(m.node, ())) for m in modems)
        return PastMonth(days=self._days, modems=tuple(shown))

    def _keep(self, found: list[PastFault], since_ns: int, now_ns: int) -> list[PastFault]:
        """Every fault that reaches past an instant, as it is kept from now on."""
        kept = past_faults.faults(self._store.db, since_ns)
        told = self._as_long_as_before(found, kept)
        keys = {one.key for one in told}
        # What ended nearly a day ago may just have been forgotten.
        young_ns = now_ns - DAY_NS + HOUR_NS
        gone = []
        for one in kept:
            if one.key in keys:
                continue
            if one.key not in self._mine:
                if any(one.same(other) for other in found):
                    gone.append(one)
            elif one.end_ns > young_ns:
                if one.start_ns < self._looks_from:  # so far an earlier run saw it
                    told.append(replace(one, end_ns=min(one.end_ns, self._looks_from)))
                else:
                    gone.append(one)
        past_faults.replace_faults(self._store.db, gone, [one for one in told if one not in kept])
        keys = {one.key for one in told}
        self._mine = keys | (self._mine & {one.key for one in kept})
        return [*(k for k in kept if k not in gone and k.key not in keys), *told]

    @property
    def _looks_from(self) -> int:
        """Where this run began to look; what is older, only an earlier run has seen."""
        return self._from_ns or 0

    def _as_long_as_before(self, found: list[PastFault], kept: Iterable[PastFault]) -> list[PastFault]:
        """With the begin that an earlier run saw, where this one began to look in the midst of an episode."""
        earlier = [k for k in kept if k.start_ns < self._looks_from < k.end_ns]
        out = []
        for one in sorted(found, key=lambda f: f.start_ns):
            whole = next((k for k in earlier if k.same(one)), None)
            if whole is not None:
                earlier.remove(whole)
            out.append(one if whole is None else replace(one, start_ns=whole.start_ns))
        return out

    def _keep_judged(self, standing: HomeState) -> None:
        if standing.learning_s > 0:
            return  # nothing is judged yet
        table = standing.table
        ticks = np.flatnonzero(standing.speaks[: table.ticks].any(axis=1))
        minutes = np.unique((table.start_ns + ticks * table.step_ns) // NS_PER_MINUTE)
        seen: dict[int, int] = {}
        for minute in minutes.tolist():
            hour, bit = divmod(minute, 60)
            seen[hour] = seen.get(hour, 0) | 1 << bit
        past_faults.add_judged(self._store.db, seen)
