"""ICMP echo: asks any node for its own packet back, and tells the round trip by the kernel's stamps."""

import asyncio
import contextlib
import socket
import struct
from collections.abc import Iterable

from whichhop.errors import SystemRefusedError
from whichhop.model import Fate, Method, Sample, SessionKey
from whichhop.model.units import MonoNs, UtcNs
from whichhop.net.clock import Clock, both_ns
from whichhop.net.icmp_socket import EchoAnswer, EchoSocket
from whichhop.net.stamped import Address, numeric_address
from whichhop.probes.base import SessionFacts, Sink
from whichhop.probes.send_times import SendTimes
from whichhop.probes.sessions import Course, Courses, Remembered, plain
from whichhop.wire.flight import Flight
from whichhop.wire.quoted import read_quoted
from whichhop.wire.refusal import Refusal

_PAYLOAD = struct.Struct("!8sI32x")
"""A cookie of this process, so that nobody else's reply is taken for ours, and the number in its session.

44 octets: an echo is then as long on the line as a STAMP base packet in UDP (RFC 8762 4.2)."""
_DRAINS = 64
"""Batches taken up before packets are given up; a bound, so that a flood cannot hold the loop."""


class EchoProber:
    """One socket for IPv4 and, where this machine speaks it, one for IPv6; sessions share them.

    The number in an echo's header is the prober's own count, for error messages quote little more (RFC 792);
    a session's own number travels in the payload.
    """

    def __init__(
        self,
        sink: Sink,
        clock: Clock,
        cookie: bytes,
        *,
        method: Method = Method.ECHO,
        kernel_stamps: bool = True,
    ) -> None:
        """`cookie`: 8 random octets."""
        self.method = method
        self._sink, self._clock, self._cookie = sink, clock, cookie
        self._kernel_stamps = kernel_stamps
        self._loop: asyncio.AbstractEventLoop | None = None
        self._sockets: dict[socket.AddressFamily, EchoSocket] = {}
        self._addresses: dict[str, tuple[socket.AddressFamily, Address]] = {}
        self._courses = Courses(lambda key, address: Course(key=key, address=address, flight=Flight()))
        self._number = int.from_bytes(cookie[:2])
        self._by_number: Remembered[int, tuple[Course, int]] = Remembered()
        self._send_times: SendTimes[tuple[Course, int]] = SendTimes()

    def open(self, loop: asyncio.AbstractEventLoop) -> None:
        """Get the sockets; SystemRefusedError with the remedy when IPv4's is refused."""
        self._loop = loop
        self._socket(loop, socket.AF_INET)
        # A machine without IPv6 has no IPv6 targets; should it have one, `send` counts the refusals.
        with contextlib.suppress(SystemRefusedError):
            self._socket(loop, socket.AF_INET6)

    @property
    def unprivileged(self) -> bool:
        """True when the system gave its unprivileged kind of socket and no capability is needed."""
        return bool(self._sockets) and all(s.unprivileged for s in self._sockets.values())

    def _socket(self, loop: asyncio.AbstractEventLoop, family: socket.AddressFamily) -> None:
        ident = int.from_bytes(self._cookie[2:4])
        made = EchoSocket(family, self._clock, ident=ident, kernel_stamps=self._kernel_stamps)
        self._sockets[family] = made
        loop.add_reader(made.fileno(), self._ready, made)

    def send(self, key: SessionKey, address: str) -> None:
        """Send one echo request now."""
        course = self._courses.to(key, plain(address))
        seq = course.flight.next_seq
        self._number = (self._number + 1) & 0xFFFF
        utc_ns, mono_ns = both_ns(self._clock)
        course.flight.sent(seq, utc_ns, mono_ns)
        try:
            family, where = self._where(address)
            payload = _PAYLOAD.pack(self._cookie, seq & 0xFFFFFFFF)
            token = self._sockets[family].send(self._number, payload, where)
        except (OSError, KeyError):  # KeyError: no socket of that family
            self._tell(course, course.not_sent(seq))
            return
        self._by_number.keep(self._number, (course, seq))
        if token is not None:
            self._send_times.launched((family, token), (course, seq))
            self._stamped(self._sockets[family])

    def _where(self, address: str) -> tuple[socket.AddressFamily, Address]:
        found = self._addresses.get(address)
        if found is None:
            found = self._addresses[address] = numeric_address(address, 0)
        return found

    def _ready(self, icmp: EchoSocket) -> bool:
        """Take up what waits in a socket; True when there was something."""
        answers = icmp.receive()
        stamped = self._stamped(icmp)
        utc_ns, mono_ns = both_ns(self._clock)
        for answer in answers:
            self._answered(answer, utc_ns, mono_ns, icmp.ident)
        return stamped or bool(answers)

    def _stamped(self, icmp: EchoSocket) -> bool:
        """Hand the send stamps that wait to their flights; True when there were any."""
        stamps = icmp.send_stamps()
        for stamp in stamps:
            found = self._send_times.stamped(
                (icmp.family, stamp.token), stamp.at_ns, scheduled=stamp.scheduled
            )
            if found is not None:
                (course, seq), left_ns, driver_ns = found
                course.flight.stamped(seq, driver_ns, left_ns)
        return bool(stamps)

    def _answered(self, answer: EchoAnswer, utc_ns: UtcNs, mono_ns: MonoNs, ident: int) -> None:
        found = self._by_number.get(answer.sequence)
        if found is None:
            return
        course, seq = found
        if answer.error:
            quoted = read_quoted(answer.body)
            if isinstance(quoted, Refusal) or (quoted.target, quoted.ident) != (course.address, ident):
                return
            self._tell(course, course.flight.settle(seq, Fate.LOST_OUT))
            return
        if (
            answer.body != _PAYLOAD.pack(self._cookie, seq & 0xFFFFFFFF)
            or plain(answer.source) != course.address
        ):
            course.flight.refuse(Refusal.UNASKED)
            return
        kernel = frozenset({"T4"} if answer.kernel else ())
        self._tell(
            course,
            course.flight.answered(seq, t4_ns=answer.at_ns, utc_ns=utc_ns, mono_ns=mono_ns, kernel=kernel),
        )

    def _tell(self, course: Course, samples: Iterable[Sample]) -> None:
        for sample in samples:
            self._sink(course.key, sample)

    def expire(self, now_ns: MonoNs) -> None:
        """Give up packets waited for too long, once what already lies in the sockets has been taken."""
        for icmp in self._sockets.values():
            for _ in range(_DRAINS):
                if not self._ready(icmp):
                    break
        for key, sample in self._courses.expire(now_ns):
            self._sink(key, sample)

    def facts(self, key: SessionKey) -> SessionFacts:
        """The session's facts since this was last asked."""
        course = self._courses.of(key)
        return SessionFacts() if course is None else course.facts()

    def close(self) -> None:
        """Stop listening and close the sockets."""
        for icmp in self._sockets.values():
            if self._loop is not None:
                self._loop.remove_reader(icmp.fileno())
            icmp.close()
        self._sockets.clear()
