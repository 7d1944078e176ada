"""Which agents were refused by which lately, and the remedy: no loss, yet nothing is measured there."""

from collections import Counter
from collections.abc import Iterable, Mapping

from msgspec import Struct

from whichhop.model import Fate, Home, Method, Record, SessionKey, derive_sessions
from whichhop.model.units import NS_PER_MINUTE, minute_of
from whichhop.store.store import Store

LATELY_NS = 10 * NS_PER_MINUTE
"""A key that was put right is believed to be right after so long; a refused session asks every second."""

REASONS = {Fate.REFUSED_KEY: "key", Fate.REFUSED_ADDRESS: "address", Fate.REFUSED: "other"}
"""The short word of each, as data and metrics have it."""


class Refusal(Struct, frozen=True, kw_only=True):
    """So many packets of `agent` were refused by `target`, for the reason that `fate` names."""

    agent: str
    target: str
    fate: Fate
    packets: int


def refusals_in(records: Iterable[Record], from_ns: int, to_ns: int) -> tuple[Refusal, ...]:
    """The refusals among samples sent in a span, by agent and target."""
    found: Counter[tuple[SessionKey, Fate]] = Counter()
    for record in records:
        if max(record.samples.fate, default=0) >= Fate.REFUSED_KEY:
            for sample in record.samples:
                if sample.fate.refused and from_ns <= sample.sent_ns < to_ns:
                    found[record.session, sample.fate] += 1
    return tuple(
        Refusal(agent=key.agent, target=key.target, fate=fate, packets=count)
        for (key, fate), count in sorted(found.items())
    )


def refused_lately(
    store: Store, home: Home, still_open: Iterable[Record], end_ns: int
) -> tuple[Refusal, ...]:
    """The refusals of the ten minutes before `end_ns`, settled and open minutes together."""
    return RefusalsOfLate(store, home).turn(still_open, end_ns)


class RefusalsOfLate:
    """The same again and again: what has settled is read once, for a live turn is to cost next to nothing."""

    def __init__(self, store: Store, home: Home) -> None:
        self._store = store
        self._keys = [s.key for s in derive_sessions(home) if s.key.method is Method.STAMP]
        self._settled: dict[int, tuple[Record, ...]] = {}
        """By minute, the records in which something was refused."""

    def turn(self, still_open: Iterable[Record], end_ns: int, *, anew: bool = False) -> tuple[Refusal, ...]:
        """The refusals of the ten minutes before `end_ns`. anew: minutes read before may be known better."""
        start_ns = end_ns - LATELY_NS
        first, last = minute_of(start_ns), minute_of(end_ns)
        if anew:
            self._settled.clear()
        # A minute settles within the next one: the newest three are read each time.
        wanted = [m for m in range(first, last + 1) if m not in self._settled or m > last - 3]
        if wanted:
            self._read(min(wanted), last + 1)
        self._settled = {m: records for m, records in self._settled.items() if m >= first}
        records = [r for found in self._settled.values() for r in found]
        return refusals_in([*records, *still_open], start_ns, end_ns)

    def _read(self, first: int, end: int) -> None:
        for minute in range(first, end):
            self._settled[minute] = ()
        kept = set(self._store.sessions())
        for key in self._keys:
            if key not in kept:
                continue
            for record in self._store.session_records(key, first, end):
                if max(record.samples.fate, default=0) >= Fate.REFUSED_KEY:
                    self._settled[record.minute] = (*self._settled[record.minute], record)


def refusal_words(refused: Iterable[Refusal]) -> Mapping[str, str]:
    """By agent, who refuses it, why, and the remedy; one line each.

    Of two agents with different keys either may have the wrong one: who is at odds with several has.
    """
    rows = list(refused)
    by_key = [r for r in rows if r.fate is Fate.REFUSED_KEY]
    refusing = Counter(target for target, _ in {(r.target, r.agent) for r in by_key})
    asking = Counter(agent for agent, _ in {(r.agent, r.target) for r in by_key})
    told: dict[str, list[str]] = {}
    for row in rows:
        told.setdefault(row.agent, []).append(_sentence(row, refusing, asking))
    return {agent: "; ".join(dict.fromkeys(lines)) for agent, lines in told.items()}


def _sentence(row: Refusal, refusing: Counter[str], asking: Counter[str]) -> str:
    if row.fate is Fate.REFUSED_KEY:
        if refusing[row.target] > asking[row.agent]:
            remedy = f"copy the home's key file to {row.target}"
        elif asking[row.agent] > refusing[row.target]:
            remedy = f"copy the home's key file to {row.agent}"
        else:
            remedy = f"copy the same key file to {row.agent} and {row.target}"
        return f"refused by {row.target} (another key): {remedy} and restart the agent there"
    if row.fate is Fate.REFUSED_ADDRESS:
        return (
            f"refused by {row.target} (unknown address): {row.agent} asks from an address that the home file"
            f" on {row.target} does not give it; copy the home file there, or correct the address in it"
        )
    return f"refused by {row.target} (too many packets, or played again): look at {row.agent}'s clock"
