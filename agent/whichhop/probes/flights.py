"""Test packets under way: which session each belongs to, its send stamps, and the sample it ends as. Pure.

For methods whose answers carry nothing but themselves (echo); `now` is always an argument.
"""

from collections import OrderedDict
from dataclasses import dataclass

from whichhop.model import Fate, Sample, SessionKey
from whichhop.model.units import MonoNs, UtcNs
from whichhop.probes.base import WAIT_NS, SessionFacts

_REMEMBER = 4096
"""Packets remembered after their end, to tell a second answer from a late one."""
STEP_SLACK_NS = 10_000
"""Wall and monotonic time run at one rate (adjtimex slews both), so a round trip longer than the time that passed
around it was measured across a step; 10 us covers reading two clocks one after the other."""


@dataclass(slots=True, kw_only=True)
class Flight:
    """One packet under way.

    sent_ns, sent_mono_ns: user-space times just before the send call.
    scheduled_ns, driver_ns: the kernel's, as the packet entered the queueing discipline and left it.
    """

    key: SessionKey
    address: str
    number: int
    sent_ns: UtcNs
    sent_mono_ns: MonoNs
    scheduled_ns: UtcNs | None = None
    driver_ns: UtcNs | None = None

    @property
    def t1_ns(self) -> UtcNs:
        """The send time to count from: the kernel's scheduling stamp, else the user-space time."""
        return self.sent_ns if self.scheduled_ns is None else self.scheduled_ns

    @property
    def queue_ns(self) -> int | None:
        """Time in this machine's own egress queue; None where the kernel did not tell."""
        if self.scheduled_ns is None or self.driver_ns is None:
            return None
        return max(self.driver_ns - self.scheduled_ns, 0)


@dataclass(slots=True)
class _Tally:
    """A session's facts in the making."""

    duplicates: int = 0
    reordered: int = 0
    late: int = 0
    failures: int = 0
    highest: int = -1
    stamps: set[str] | None = None

    def seen(self, stamps: set[str]) -> None:
        self.stamps = stamps if self.stamps is None else self.stamps & stamps


class Flights:
    """All packets of one prober that are under way, by a number that never repeats."""

    def __init__(self, wait_ns: int = WAIT_NS) -> None:
        self._wait_ns = wait_ns
        self._flying: OrderedDict[int, Flight] = OrderedDict()
        self._by_token: dict[int, Flight] = {}
        self._landed: OrderedDict[int, tuple[SessionKey, bool]] = OrderedDict()
        self._tallies: dict[SessionKey, _Tally] = {}

    def __len__(self) -> int:
        return len(self._flying)

    def launch(self, flight: Flight, token: int | None) -> None:
        """A packet has left; `token` names its send stamps, None when none will come."""
        self._flying[flight.number] = flight
        if token is not None:
            self._by_token[token] = flight

    def refused(self, flight: Flight) -> Sample:
        """The system did not send it: a sample set aside, since the path was never asked."""
        self._tally(flight.key).failures += 1
        return Sample(sent_ns=flight.sent_ns, fate=Fate.NOT_SENT)

    def stamp(self, token: int, *, scheduled: bool, at_ns: UtcNs) -> None:
        """A send stamp came off the error queue."""
        flight = self._by_token.get(token)
        if flight is None:
            return
        if scheduled:
            flight.scheduled_ns = at_ns
        else:
            flight.driver_ns = at_ns
            del self._by_token[token]

    def answer(
        self, number: int, target: str, at_ns: UtcNs, now_ns: MonoNs, *, kernel: bool
    ) -> tuple[SessionKey, Sample] | None:
        """The answer to packet `number` came from `target` at wall-clock `at_ns`, taken up at `now_ns`.

        None when it ends no packet: a second copy, an answer after the waiting time, or one nobody waits for.
        """
        flight = self._flying.get(number)
        if flight is None:
            self._again(number)
            return None
        if target != flight.address:
            return None
        self._land(flight, answered=True)
        tally = self._tally(flight.key)
        if number < tally.highest:
            tally.reordered += 1
        tally.highest = max(tally.highest, number)
        tally.seen({n for n, told in (("T1", flight.scheduled_ns is not None), ("T4", kernel)) if told})
        rtt_ns = at_ns - flight.t1_ns
        if not 0 <= rtt_ns <= now_ns - flight.sent_mono_ns + STEP_SLACK_NS:
            return flight.key, Sample(sent_ns=flight.sent_ns, fate=Fate.CLOCK_STEP)
        fate = Fate.ANSWERED if rtt_ns <= self._wait_ns else Fate.LATE
        return flight.key, Sample(sent_ns=flight.t1_ns, fate=fate, rtt_ns=rtt_ns, queue_ns=flight.queue_ns)

    def unreachable(self, number: int, target: str) -> tuple[SessionKey, Sample] | None:
        """An error message quoted packet `number` to `target`: it was lost on the way out."""
        flight = self._flying.get(number)
        if flight is None or target != flight.address:
            return None
        self._land(flight, answered=False)
        return flight.key, Sample(sent_ns=flight.t1_ns, fate=Fate.LOST_OUT, queue_ns=flight.queue_ns)

    def expire(self, now_ns: MonoNs) -> list[tuple[SessionKey, Sample]]:
        """Packets waited for longer than the waiting time, as lost samples in the order sent."""
        out = []
        while self._flying:
            flight = next(iter(self._flying.values()))
            if now_ns - flight.sent_mono_ns <= self._wait_ns:
                break
            self._land(flight, answered=False)
            out.append(
                (flight.key, Sample(sent_ns=flight.t1_ns, fate=Fate.LOST, queue_ns=flight.queue_ns))
            )
        if not self._flying:
            self._by_token.clear()
        return out

    def facts(self, key: SessionKey) -> SessionFacts:
        """The session's facts since this was last asked."""
        tally = self._tally(key)
        facts = SessionFacts(
            duplicates=tally.duplicates,
            reordered=tally.reordered,
            late=tally.late,
            stamps=" ".join(sorted(tally.stamps or ())),
            send_failures=tally.failures,
        )
        self._tallies[key] = _Tally(highest=tally.highest)
        return facts

    def _tally(self, key: SessionKey) -> _Tally:
        return self._tallies.setdefault(key, _Tally())

    def _land(self, flight: Flight, *, answered: bool) -> None:
        del self._flying[flight.number]
        self._landed[flight.number] = (flight.key, answered)
        if len(self._landed) > _REMEMBER:
            self._landed.popitem(last=False)

    def _again(self, number: int) -> None:
        landed = self._landed.get(number)
        if landed is None:
            return
        key, answered = landed
        if answered:
            self._tally(key).duplicates += 1
        else:
            self._tally(key).late += 1
            self._landed[number] = (key, True)
