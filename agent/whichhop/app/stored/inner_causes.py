"""Adds the cause inside the hop to verdicts, from a store's records and readings."""

from collections.abc import Callable, Iterable, Sequence

from msgspec import Struct, field
from msgspec.structs import replace

from whichhop.compare.comparison import Comparison
from whichhop.compare.windows.table import WindowTable
from whichhop.inside.felt import LOOKS
from whichhop.inside.gather import InnerFacts, with_causes
from whichhop.inside.packets import RecordsOf
from whichhop.model import Home, Reading, Record, Session, SessionKey, Verdict
from whichhop.model.figure_words import zone_of
from whichhop.model.inner_cause import InnerAnswer
from whichhop.model.units import NS_PER_S, minute_of
from whichhop.store.columns import records_within
from whichhop.store.store import Store

DAY_NS = 24 * 3600 * NS_PER_S
AGAIN_NS = 60 * NS_PER_S
"""An episode that goes on is looked at again this often: counters come once a minute."""


class StoreRecords(Struct, frozen=True):
    """The records of a store, and those that are not in it yet, by session and span."""

    store: Store
    loose: Sequence[Record] = ()

    def __call__(self, keys: Sequence[SessionKey], start_ns: int, end_ns: int) -> Iterable[Record]:
        """Those that touch the span."""
        first, end = minute_of(start_ns), minute_of(end_ns - 1) + 1
        for key in keys:
            yield from self.store.session_records(key, first, end, records_within)
        wanted = set(keys)
        yield from (r for r in self.loose if r.session in wanted and first <= r.minute < end)


def comparison_with_causes(found: Comparison, records: RecordsOf, readings: Sequence[Reading]) -> Comparison:
    """The same comparison, its verdicts with the cause inside their hop. records: what was compared."""
    known = InnerFacts(
        home=found.home,
        sessions=found.judged.sessions,
        table=found.judged.table,
        readings=readings,
        records=records,
        zone=zone_of(found.home),
    )
    return replace(found, verdicts=tuple(with_causes(found.verdicts, known)))


def looks_of_late(store: Store, end_ns: int) -> list[Reading]:
    """The looks of the last day at packet sizes and DSCPs: one is taken each hour, a span may be shorter."""
    return [
        r for name in LOOKS for r in store.readings_like(f"{name}:", from_ns=end_ns - DAY_NS, to_ns=end_ns)
    ]


class InnerCauses(Struct):
    """The causes of a home that is followed: worked out once for what is over, else each minute."""

    home: Home
    store: Store
    _kept: dict[tuple[object, ...], tuple[int, InnerAnswer | None]] = field(default_factory=dict)

    def added(
        self,
        verdicts: Sequence[Verdict],
        *,
        table: WindowTable,
        sessions: Sequence[Session],
        readings: Callable[[], list[Reading]],
        loose: Sequence[Record],
        at_ns: int,
    ) -> list[Verdict]:
        """The same verdicts with their causes; at_ns: until when was judged; readings: asked when due."""
        due = [v for v in verdicts if not self._holds(v, at_ns)]
        if due:
            known = InnerFacts(
                home=self.home,
                sessions=sessions,
                table=table,
                readings=readings(),
                records=StoreRecords(self.store, loose),
                zone=zone_of(self.home),
            )
            # Episodes of one hop are looked at together, so those that are over are given too.
            hops = {(v.cause, v.elements) for v in due}
            of_due = [v for v in verdicts if (v.cause, v.elements) in hops]
            beside = [v for v in verdicts if (v.cause, v.elements) not in hops]
            for verdict in with_causes([replace(v, inside=None) for v in of_due], known, due, beside):
                if verdict.inside is not None or _key(verdict) not in self._kept:
                    self._kept[_key(verdict)] = (at_ns, verdict.inside)
        wanted = {_key(v) for v in verdicts}
        self._kept = {key: kept for key, kept in self._kept.items() if key in wanted}
        return [replace(v, inside=self._kept[_key(v)][1]) for v in verdicts]

    def _holds(self, verdict: Verdict, at_ns: int) -> bool:
        kept = self._kept.get(_key(verdict))
        return kept is not None and (verdict.end_ns is not None or at_ns - kept[0] < AGAIN_NS)


def _key(verdict: Verdict) -> tuple[object, ...]:
    return (verdict.cause, verdict.elements, verdict.start_ns, verdict.end_ns)
