"""Gathers a minute's samples into a record a session, and its readings into one each. Pure."""

from collections.abc import Callable, Container, Iterable, Iterator

from msgspec import Struct, field
from msgspec.structs import replace

from whichhop.model import Columns, Fate, Reading, Record, Sample, SessionKey
from whichhop.model.units import NS_PER_S, UtcNs, minute_of
from whichhop.probes.base import SessionFacts
from whichhop.wire.flight import LINGER_NS, WAIT_NS

SETTLE_NS = WAIT_NS + LINGER_NS + 3 * NS_PER_S
"""How long a minute stays open after its end: until its last packet's fate is said, a beat later, and the
machine has been vouched for, a beat more, with 1 s to spare. Losses said later would make a second record."""


def _in_order(samples: list[Sample]) -> Columns:
    return Columns.of(sorted(samples, key=lambda s: s.sent_ns))


class MinuteBook(Struct):
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

    def with_unanswered(self, waiting: Iterable[tuple[SessionKey, UtcNs]]) -> list[Record]:
        """The open minutes in which what nobody has answered so far stands as lost: for the newest seconds,
        which wait for nobody. Nothing of it is kept."""
        joined = {at: list(samples) for at, samples in self._open.items()}
        for key, sent_ns in waiting:
            at = (minute_of(sent_ns), key)
            joined.setdefault(at, []).append(Sample(sent_ns=sent_ns, fate=Fate.LOST))
        return [
            Record(session=key, minute=minute, samples=_in_order(samples), stamps=self._stamps.get(key, ""))
            for (minute, key), samples in sorted(joined.items())
        ]

    def draft(self, now_ns: UtcNs) -> list[Record]:
        """The open minutes as far as the fate of every packet is known, for the case of a kill.

        Cut where the waiting still goes on: else what was answered quickly would be in it, and what was lost
        would not.
        """
        limit = now_ns - SETTLE_NS
        cut = ((at, [s for s in samples if s.sent_ns < limit]) for at, samples in sorted(self._open.items()))
        return [
            Record(session=key, minute=minute, samples=_in_order(known), stamps=self._stamps.get(key, ""))
            for (minute, key), known in cut
            if known
        ]

    def forget(self, keys: Container[SessionKey]) -> None:
        """Drop what is remembered of sessions that are no longer among `keys`."""
        self._stamps = {key: stamps for key, stamps in self._stamps.items() if key in keys}

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


# A total where the whole minute counts, the worst second where one bad second is what matters.
_SUMMED = frozenset({"send_failures", "suspended_s", "clock_step_s"})


class MinuteOfReadings(Struct):
    """Readings of open minutes by name: summed or at their largest magnitude."""

    _open: dict[tuple[int, str, str], Reading] = field(default_factory=dict)

    def add(self, reading: Reading) -> None:
        """Join one reading into its minute.

        A sum carries the time of its last reading, the worst second its own: only what was measured then is
        in doubt.
        """
        at = (minute_of(reading.at_ns), reading.agent, reading.name)
        before = self._open.get(at)
        if before is None:
            self._open[at] = reading
        elif reading.name in _SUMMED:
            self._open[at] = replace(reading, value=before.value + reading.value)
        elif abs(reading.value) > abs(before.value):
            self._open[at] = reading

    def close_before(self, now_ns: int) -> list[Reading]:
        """The joined readings of every minute before the one that holds `now_ns`."""
        return self._close([at for at in self._open if at[0] < minute_of(now_ns)])

    def close_all(self) -> list[Reading]:
        """The joined readings of every open minute."""
        return self._close(list(self._open))

    def _close(self, which: list[tuple[int, str, str]]) -> list[Reading]:
        return [self._open.pop(at) for at in sorted(which)]
