"""One agent at work: wakes when a packet is due, gathers samples into minutes, hands minutes on."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Protocol

from msgspec.structs import replace

from whichhop.daemon.minutes import MinuteBook, MinuteOfReadings
from whichhop.daemon.schedule import Schedule
from whichhop.model import Method, Reading, Record, Sample, Session, SessionKey
from whichhop.model.units import NS_PER_MS, NS_PER_S, MonoNs, UtcNs
from whichhop.net.clock import Clock
from whichhop.probes.base import Prober, SessionFacts, Sink
from whichhop.probes.call_stream import EVERY_NS, CallStream

BEAT_NS = NS_PER_S
"""How often this machine is looked at, answers are given up and settled minutes are handed on."""
BEAT_LATE_NS = 400 * NS_PER_MS
"""So much later it may be, to fall in with a packet: steady ones are no farther apart (schedule.PLACES)."""

UNANSWERED_NS = 2 * NS_PER_S
"""From so long ago on a packet without an answer tells something: an answer that came is in its minute by
then, once the machine has been vouched for at the next beat."""
GATHER_EACH = 32
"""Packets sent after which waiting answers are taken up before the next beat. A socket's buffer, 212 kB where
nobody set it, must hold their answers and twice as many send stamps, at 1 to 2 kB of bookkeeping each."""


class Vetting(Protocol):
    """What stands between probers and the minutes: lets samples through once the machine is vouched for."""

    def woke(self, due_ns: MonoNs, now_ns: MonoNs) -> None:
        """The loop woke for something due."""
        ...

    def beat(self) -> list[Reading]:
        """Look at the machine; samples held since the last beat go on."""
        ...


Keep = Callable[[list[Record], list[Reading]], None]
"""Takes settled records and readings; must not raise for the disk's sake."""


def _fails(trouble: Exception) -> None:
    raise trouble


@dataclass(slots=True, kw_only=True)
class Agent:
    """Everything between the alarm and the store. Collaborators are passed in; nothing is read from outside.

    dice: a number in [0, 1) a call, for the random phase of each stream (RFC 3432 asks for a random start)
    and for each packet's place behind it.
    observe: told of each vetted sample, for live figures.
    """

    clock: Clock
    probers: Mapping[Method, Prober]
    dice: Callable[[], float]
    keep: Keep
    observe: Sink
    sessions: dict[SessionKey, Session] = field(default_factory=dict)
    schedule: Schedule = field(init=False)
    streams: dict[SessionKey, CallStream] = field(default_factory=dict)
    watch: Vetting | None = None
    beat_due_ns: MonoNs = field(init=False)
    failed: Callable[[Exception], None] = _fails
    """Told of an exception in a prober, which the network may have caused: the other probers go on."""
    ungathered: int = 0
    book: MinuteBook = field(init=False)
    readings: MinuteOfReadings = field(default_factory=MinuteOfReadings)
    found_at: dict[str, str] = field(default_factory=dict)
    """Addresses that the home file does not tell, by target: kept through a change of it."""

    def __post_init__(self) -> None:
        self.book = MinuteBook(facts=self._facts)
        self.schedule = Schedule(self.dice)
        self.beat_due_ns = self.clock.mono_ns()

    def _facts(self, key: SessionKey) -> SessionFacts:
        prober = self.probers.get(key.method)
        return prober.facts(key) if prober else SessionFacts()

    def take(self, key: SessionKey, sample: Sample) -> None:
        """A vetted sample: into its minute and on to the live figures."""
        self.book.add(key, sample)
        self.observe(key, sample)

    def follow(self, sessions: Iterable[Session]) -> None:
        """Measure these sessions from now on, and no others; those already running keep their rhythm."""
        wanted = {s.key: self._located(s) for s in sessions if s.key.method in self.probers}
        # A stream beside a transfer that runs now is nobody's wish of the home file, and goes on.
        targets = {key.target for key in wanted}
        beside = [s for k, s in self.sessions.items() if k.method is Method.LOADED and k.target in targets]
        wanted |= {s.key: s for s in beside if s.key.method in self.probers}
        # One whose pace changed begins anew; it would keep the old one otherwise.
        paced = {key: s.interval_s for key, s in self.sessions.items()}
        self.schedule.keep_only(key for key, s in wanted.items() if paced.get(key) == s.interval_s)
        self.streams = {key: stream for key, stream in self.streams.items() if key in wanted}
        self.sessions = wanted
        self.book.forget(wanted)
        for session in wanted.values():
            self._begin(session)

    def _located(self, session: Session) -> Session:
        address = session.address or self.found_at.get(session.key.target)
        return session if address == session.address else replace(session, address=address)

    def _begin(self, session: Session) -> None:
        key, now = session.key, self.clock.mono_ns()
        if session.address is None or key in self.schedule or key in self.streams:
            return
        if key.method is Method.CALL:
            self.streams[key] = CallStream(start_ns=MonoNs(now + round(self.dice() * EVERY_NS)))
        else:
            first = self.schedule.first_ns(session.interval_s, now, self.clock.utc_ns())
            self.schedule.add(key, interval_s=session.interval_s, first_ns=first)

    def found(self, target: str, address: str) -> None:
        """A target's address became known, by route discovery: measure it from now on."""
        self.found_at[target] = address
        for key, session in self.sessions.items():
            if key.target == target:
                self.sessions[key] = replace(session, address=address)
                self._begin(self.sessions[key])

    def add(self, session: Session) -> None:
        """Measure one session more, until it is dropped or another list is followed."""
        if session.key.method in self.probers:
            self.sessions[session.key] = session
            self._begin(session)

    def drop(self, key: SessionKey) -> None:
        """Send no more packets for a session; answers on their way are still taken."""
        self.sessions.pop(key, None)
        self.schedule.keep_only([k for k in self.sessions if k in self.schedule])

    def skipped(self) -> dict[SessionKey, int]:
        """Packets of each session that were due and never sent, since we were not given the processor."""
        return {**self.schedule.skipped, **{key: stream.skipped for key, stream in self.streams.items()}}

    def wake(self, due_ns: MonoNs) -> MonoNs:
        """Do what is due; when to wake next. `due_ns`: when this waking was asked for."""
        now = self.clock.mono_ns()
        if self.watch is not None:
            self.watch.woke(due_ns, now)
        for key in self.schedule.due(now):
            self._send(key)
        for key, stream in self.streams.items():
            if stream.due(now):
                self._send(key)
        if self.ungathered >= GATHER_EACH:
            self._gather()
        if now >= self.beat_due_ns:
            self.beat()
            self.beat_due_ns = MonoNs(now + BEAT_NS)
        packets = [stream.next_ns() for stream in self.streams.values()]
        if (steady := self.schedule.next_ns()) is not None:
            packets.append(steady)
        return min((at for at in packets if at < self.beat_due_ns + BEAT_LATE_NS), default=self.beat_due_ns)

    def _send(self, key: SessionKey) -> None:
        address = self.sessions[key].address
        if address is not None:
            try:
                self.probers[key.method].send(key, address)
            except Exception as trouble:  # noqa: BLE001 - one session's trouble is not the others'
                self.failed(trouble)
            self.ungathered += 1

    def _gather(self) -> None:
        for prober in self.probers.values():
            self._guard(prober.gather)
        self.ungathered = 0

    def _guard(self, act: Callable[..., None], *facts: MonoNs) -> None:
        try:
            act(*facts)
        except Exception as trouble:  # noqa: BLE001 - what arrives from the network must not end the agent
            self.failed(trouble)

    def beat(self) -> None:
        """Give up what was waited for too long, vouch for the machine, hand on what is settled."""
        now = self.clock.mono_ns()
        for prober in self.probers.values():
            self._guard(prober.expire, now)
        self.ungathered = 0
        if self.watch is not None:
            for reading in self.watch.beat():
                self.readings.add(reading)
        utc = self.clock.utc_ns()
        records = list(self.book.close_settled(utc))
        readings = self.readings.close_before(utc)
        if records or readings:
            self.keep(records, readings)

    def newest_records(self) -> list[Record]:
        """The open minutes with what was sent two seconds ago and more and is unanswered counted as lost."""
        self._gather()
        before = MonoNs(self.clock.mono_ns() - UNANSWERED_NS)
        waiting: list[tuple[SessionKey, UtcNs]] = []
        for prober in self.probers.values():
            try:
                waiting += prober.unanswered(before)
            except Exception as trouble:  # noqa: BLE001 - one prober's trouble is not the others'
                self.failed(trouble)
        return self.book.with_unanswered(waiting)

    def stop(self) -> None:
        """Hand on everything that is left, unsettled minutes too."""
        if self.watch is not None:
            for reading in self.watch.beat():
                self.readings.add(reading)
        self.keep(list(self.book.close_all()), self.readings.close_all())
