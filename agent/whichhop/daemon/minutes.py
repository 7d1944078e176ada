"""Gathers samples into records of one session and one minute, by the time they were sent. Pure."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from whichhop.model import Columns, Record, Sample, SessionKey
from whichhop.model.units import NS_PER_S, UtcNs, minute_of
from whichhop.probes.base import SessionFacts
from whichhop.wire.flight import LINGER_NS, WAIT_NS

SETTLE_NS = WAIT_NS + LINGER_NS + 3 * NS_PER_S
"""How long a minute stays open after its end: until its last packet's fate is said, a beat later, and the
machine has been vouched for, a beat more, with 1 s to spare. Losses said later would make a second record."""


def _in_order(samples: list[Sample]) -> Columns:
    return Columns.of(sorted(samples, key=lambda s: s.sent_ns))


@dataclass(slots=True)
class MinuteBook:
    """Open minutes. `facts` is asked once a record, when its minute closes."""

    facts: Callable[[SessionKey], SessionFacts]
    _stamps: dict[SessionKey, str] = field(default_factory=dict)
    _open: dict[tuple[int, SessionKey], list[Sample]] = field(default_factory=dict)

    def add(self, key: SessionKey, sample: Sample) -> None:
        """Put a sample into the minute in which it was sent."""
        self._open.setdefault((minute_of(sample.sent_ns), key), []).append(sample)

    def close_settled(self, now_ns: UtcNs) -> Iterator[Record]:
        """The records of every minute whose last sample has had its waiting time."""
        limit = minute_of(now_ns - SETTLE_NS)
        yield from self._close([at for at in self._open if at[0] < limit])

    def close_all(self) -> Iterator[Record]:
        """Every open minute, unsettled ones too: for a clean stop."""
        yield from self._close(list(self._open))

    def open_records(self) -> list[Record]:
        """The open minutes as they stand, for whoever cannot wait for them to settle.

        Without facts, but for the stamps of the session's minute before.
        """
        return [
            Record(session=key, minute=minute, samples=_in_order(samples), stamps=self._stamps.get(key, ""))
            for (minute, key), samples in sorted(self._open.items())
        ]

    def _close(self, which: list[tuple[int, SessionKey]]) -> Iterator[Record]:
        for minute, key in sorted(which):
            samples = _in_order(self._open.pop((minute, key)))
            facts = self.facts(key)
            if facts.stamps:
                self._stamps[key] = facts.stamps
            yield Record(
                session=key,
                minute=minute,
                samples=samples,
                duplicates=facts.duplicates,
                reordered=facts.reordered,
                stamps=facts.stamps,
                clock_error_ns=facts.clock_error_ns,
            )
