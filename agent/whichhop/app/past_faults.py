"""Keeps in the comparer's store what each turn found: for weeks, and over a restart."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np

from whichhop.app.modem_now import DAY_NS, HOUR_NS
from whichhop.compare.live import HomeState
from whichhop.compare.past_days import past_days
from whichhop.model import Verdict
from whichhop.model.modem_now import ModemNow
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
        probability=verdict.probability,
        proven=verdict.proven,
    )


class PastFaults:
    """What the store keeps of the past, as it stands after the newest turn.

    Only what this run found can be withdrawn by it: after a restart the first minutes are learned from anew,
    and a fault in them that an earlier run saw is not found again.
    """

    def __init__(self, store: Store, zone: ZoneInfo) -> None:
        self._store, self._zone = store, zone
        self._kept = past_faults.faults(store.db)
        self._judged = past_faults.judged(store.db)
        self._levels = past_faults.levels(store.db)
        self._mine: set[PastFault] = set()

    def turn(
        self, verdicts: Sequence[Verdict], standing: HomeState, modems: Iterable[ModemNow], now_ns: int
    ) -> PastDays:
        """Keep what is new. verdicts: all of the last day, those that last too."""
        found = [v for v in verdicts if v.cause not in NO_FAULTS]
        open_now = [_past(v, now_ns) for v in found if v.end_ns is None]
        closed = [_past(v, now_ns) for v in found if v.end_ns is not None]
        self._keep(self._as_long_as_before(closed, standing.table.start_ns), open_now, now_ns)
        self._keep_judged(standing)
        for modem in modems:
            self._keep_levels(modem, now_ns)
        return past_days(
            [*self._kept, *open_now], self._judged, self._levels.values(), now_ns=now_ns, zone=self._zone
        )

    def _keep(self, closed: list[PastFault], open_now: list[PastFault], now_ns: int) -> None:
        told = [*closed, *open_now]
        # What ended nearly a day ago may just have been forgotten.
        young = {one for one in self._mine if one.end_ns > now_ns - DAY_NS + HOUR_NS}
        withdrawn = young - set(closed)
        replaced = [k for k in self._kept if k in withdrawn or any(k.same(t) for t in told)]
        gone = [k for k in replaced if k not in closed]
        new = [one for one in closed if one not in self._kept]
        if gone or new:
            past_faults.put_faults(self._store.db, gone, new)
            self._kept = sorted([*(k for k in self._kept if k not in gone), *new], key=lambda k: k.start_ns)
        self._mine = (self._mine - withdrawn) | set(closed)

    def _as_long_as_before(self, closed: list[PastFault], seen_from_ns: int) -> list[PastFault]:
        """With the begin that an earlier run saw, where this one began to look in the midst of an episode."""
        earlier = [k for k in self._kept if k.start_ns < seen_from_ns < k.end_ns]
        out = []
        for one in sorted(closed, key=lambda f: f.start_ns):
            whole = next((k for k in earlier if k.elements == one.elements and k.same(one)), None)
            if whole is not None:
                earlier.remove(whole)
                one = replace(one, start_ns=min(whole.start_ns, one.start_ns))
            out.append(one)
        return out

    def _keep_judged(self, standing: HomeState) -> None:
        table = standing.table
        ticks = np.flatnonzero(standing.speaks[: table.ticks].any(axis=1))
        minutes = np.unique((table.start_ns + ticks * table.step_ns) // NS_PER_MINUTE)
        seen: dict[int, int] = {}
        for minute in minutes.tolist():
            hour, bit = divmod(minute, 60)
            seen[hour] = seen.get(hour, 0) | 1 << bit
        new = {h: self._judged.get(h, 0) | m for h, m in seen.items()}
        new = {h: m for h, m in new.items() if m != self._judged.get(h)}
        if new:
            past_faults.put_judged(self._store.db, new)
            self._judged |= new

    def _keep_levels(self, modem: ModemNow, now_ns: int) -> None:
        """The oldest hour that is shown has lost its begin, so what was kept of it stands."""
        new = [
            h
            for h in modem.hours
            if h.start_ns >= now_ns - DAY_NS and h != self._levels.get((modem.node, h.start_ns // HOUR_NS))
        ]
        if new:
            past_faults.put_levels(self._store.db, modem.node, new)
            self._levels |= {(modem.node, h.start_ns // HOUR_NS): h for h in new}
