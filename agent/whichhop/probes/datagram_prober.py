"""What probers that ask by datagrams have in common: a socket an address family, stamps, waiting, closing."""

import asyncio
import contextlib
import select
import socket
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Sequence
from typing import Any, Generic, Protocol, TypeVar

from whichhop.errors import SystemRefusedError
from whichhop.model import Sample, SessionKey
from whichhop.model.units import MonoNs, UtcNs
from whichhop.net.clock import Clock, both_ns
from whichhop.net.icmp_socket import EchoAnswer
from whichhop.net.stamped import Address, Datagram, SendStamp, StampedSocket, numeric_address
from whichhop.net.system import HERE
from whichhop.net.udp import open_udp
from whichhop.probes.base import SessionFacts, Sink
from whichhop.probes.sessions import Course, Courses, Remembered, SendTimes, flying, plain

_DRAINS = 64
"""Batches taken up before packets are given up; a bound, so that a flood cannot hold the loop."""
_ANY = {socket.AF_INET: "0.0.0.0", socket.AF_INET6: "::"}  # noqa: S104 - a client's socket, port of the system's choice


class Asking(Protocol):
    """A socket that answers come in on, and its own send stamps."""

    @property
    def kernel_stamps(self) -> bool:
        """True when the kernel stamps what comes in, so that reading it later tells the same."""
        ...

    def fileno(self) -> int:
        """The descriptor, for the event loop."""
        ...

    def receive(self) -> Sequence[Any]:
        """Answers that wait."""
        ...

    def send_stamps(self, *, sure: bool = True) -> list[SendStamp]:
        """Send stamps that wait."""
        ...

    def close(self) -> None:
        """Close it."""
        ...


_S = TypeVar("_S", bound=Asking)
_C = TypeVar("_C", bound=Course)


def client_socket(family: socket.AddressFamily, clock: Clock, *, kernel_stamps: bool) -> StampedSocket:
    """A UDP socket at any address of ours and a port of the system's choice."""
    return open_udp(_ANY[family], 0, clock, kernel_stamps=kernel_stamps)


class CourseProber(Generic[_C]):
    """Whose packets under way are kept by session, and told to a sink as they end."""

    _sink: Sink
    _courses: Courses[_C]

    def _tell(self, course: Course, samples: Iterable[Sample]) -> None:
        for sample in samples:
            self._sink(course.key, sample)

    def unanswered(self, before_ns: MonoNs) -> Iterable[tuple[SessionKey, UtcNs]]:
        """Packets sent before a time whose answer may still come."""
        return self._courses.unanswered(before_ns)

    def facts(self, key: SessionKey) -> SessionFacts:
        """The session's facts since this was last asked."""
        course = self._courses.of(key)
        return SessionFacts() if course is None else course.facts()


class DatagramProber(CourseProber[_C], ABC, Generic[_S, _C]):
    """Sessions share one socket an address family; a kind adds how it asks and what an answer says."""

    def __init__(
        self,
        sink: Sink,
        clock: Clock,
        begin: Callable[[SessionKey, str], _C],
        *,
        port: int,
        kernel_stamps: bool,
        prompt: bool = True,
    ) -> None:
        """Nothing is opened yet. begin: makes the course of a session to an address; port: where to ask.

        prompt: read each answer as it comes. Otherwise, where the kernel stamps them, answers wait for
        `gather`: a steady stream then wakes the process half as often, and several in one go cost less each.
        """
        self._sink, self._clock, self._port, self._kernel_stamps = sink, clock, port, kernel_stamps
        self._prompt = prompt
        self._poll = select.poll() if HERE.poll else None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._sockets: dict[socket.AddressFamily, _S] = {}
        self._addresses: dict[str, tuple[socket.AddressFamily, Address]] = {}
        self._courses = Courses(begin)
        self._numbers: Remembered[int, tuple[_C, int]] = Remembered()
        """Of a kind whose packets carry a number of the prober's own: whose packet it is, and which."""
        self._send_times: SendTimes[tuple[_C, int]] = SendTimes()

    @abstractmethod
    def _socket(self, family: socket.AddressFamily) -> _S:
        """Get a socket; SystemRefusedError with the remedy when it is refused."""

    @abstractmethod
    def _answered(self, where: _S, answer: Any, utc_ns: UtcNs, mono_ns: MonoNs) -> None:
        """Read what `where` received; both clocks were read together just now."""

    def open(self, loop: asyncio.AbstractEventLoop) -> None:
        """Get the sockets; SystemRefusedError with the remedy when IPv4's is refused."""
        self._loop = loop
        self._listen(loop, socket.AF_INET)
        # A machine without IPv6 has no IPv6 targets; should it have one, `send` counts the refusals.
        with contextlib.suppress(SystemRefusedError):
            self._listen(loop, socket.AF_INET6)

    def _listen(self, loop: asyncio.AbstractEventLoop, family: socket.AddressFamily) -> None:
        made = self._sockets[family] = self._socket(family)
        if self._poll is not None:
            self._poll.register(made.fileno(), select.POLLIN)
        if self._prompt or not made.kernel_stamps:
            loop.add_reader(made.fileno(), self._ready, family, made)

    def _waiting(self) -> set[int]:
        """The descriptors at which something waits."""
        if self._poll is not None:
            return {fileno for fileno, _events in self._poll.poll(0)}
        return set(select.select([s.fileno() for s in self._sockets.values()], [], [], 0)[0])

    def _where(self, address: str) -> tuple[socket.AddressFamily, Address]:
        """The family and socket address of a numeric address; OSError when it is none."""
        found = self._addresses.get(address)
        if found is None:
            found = self._addresses[address] = numeric_address(address, self._port)
        return found

    def _launched(self, family: socket.AddressFamily, token: int | None, course: _C, seq: int) -> None:
        """A packet was handed to the system; take what send stamps there are already."""
        if token is not None:
            self._send_times.launched((family, token), (course, seq))
            if self._prompt:
                self._stamped(family, self._sockets[family])

    def gather(self) -> None:
        """Take up what waits in the sockets."""
        for _ in range(_DRAINS):
            waiting = self._waiting()
            if not waiting:
                break
            for family, where in self._sockets.items():
                if where.fileno() in waiting:
                    self._ready(family, where)

    def _ready(self, family: socket.AddressFamily, where: _S) -> None:
        """Take up what waits in a socket."""
        answers = where.receive()
        # A packet's send stamps are queued before its answer can arrive, and must be known first. Woken by
        # no answer, it must have been a stamp.
        self._stamped(family, where, sure=not answers)
        if answers:
            utc_ns, mono_ns = both_ns(self._clock)
            for answer in answers:
                self._answered(where, answer, utc_ns, mono_ns)

    def _stamped(self, family: socket.AddressFamily, where: _S, *, sure: bool = True) -> None:
        """Hand the send stamps that wait to their flights."""
        stamps = where.send_stamps(sure=sure)
        scheduled_ns: int | None = None
        for stamp, following in zip(stamps, [*stamps[1:], None], strict=False):
            if stamp.scheduled and following is not None and following.token == stamp.token:
                scheduled_ns = stamp.at_ns  # handed on with the driver's, which comes next
                continue
            found = self._send_times.stamped(
                (family, stamp.token), stamp.at_ns, scheduled=stamp.scheduled, scheduled_ns=scheduled_ns
            )
            scheduled_ns = None
            if found is not None:
                (course, seq), left_ns, driver_ns = found
                course.flight.stamped(seq, driver_ns, left_ns)

    def expire(self, now_ns: MonoNs) -> None:
        """Give up packets waited for too long, once what already lies in the sockets has been taken."""
        self.gather()
        for key, sample in self._courses.expire(now_ns):
            self._sink(key, sample)
        self._numbers.forget_while(lambda row: row[0].flight.sent_at(row[1]) is None)

    def close(self) -> None:
        """Take up what has come, then close the sockets; packets still waited for yield no sample."""
        self.gather()
        for where in self._sockets.values():
            if self._loop is not None:
                self._loop.remove_reader(where.fileno())
            if self._poll is not None:
                self._poll.unregister(where.fileno())
            where.close()
        self._sockets.clear()


class NumberedProber(DatagramProber[_S, Course]):
    """One whose packets carry a number of its own, 16 bits, by which an answer is known."""

    def __init__(
        self, sink: Sink, clock: Clock, cookie: bytes, *, port: int, kernel_stamps: bool, prompt: bool
    ) -> None:
        """`cookie`: at least 2 random octets, so that a stranger cannot guess the next number."""
        super().__init__(sink, clock, flying, port=port, kernel_stamps=kernel_stamps, prompt=prompt)
        self._number = int.from_bytes(cookie[:2])

    @abstractmethod
    def _send(self, where: _S, family: socket.AddressFamily, to: Address, seq: int) -> int | None:
        """Send the packet of `_number`, the session's `seq`th; the token of its send stamps."""

    def send(self, key: SessionKey, address: str) -> None:
        """Ask `address` once, now."""
        course = self._courses.to(key, plain(address))
        seq = course.flight.next_seq
        self._number = (self._number + 1) & 0xFFFF
        utc_ns, mono_ns = both_ns(self._clock)
        course.flight.sent(seq, utc_ns, mono_ns)
        try:
            family, to = self._where(address)
            token = self._send(self._sockets[family], family, to, seq)
        except (OSError, KeyError):  # KeyError: no socket of that family
            self._tell(course, course.not_sent(seq))
            return
        self._numbers.keep(self._number, (course, seq))
        self._launched(family, token, course, seq)

    def _arrived(
        self, course: Course, seq: int, answer: Datagram | EchoAnswer, utc_ns: UtcNs, mono_ns: MonoNs
    ) -> None:
        """The packet was answered; both clocks were read together just now."""
        kernel = frozenset({"T4"} if answer.kernel else ())
        self._tell(
            course,
            course.flight.answered(seq, t4_ns=answer.at_ns, utc_ns=utc_ns, mono_ns=mono_ns, kernel=kernel),
        )
