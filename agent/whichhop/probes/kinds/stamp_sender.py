"""STAMP, the asking half: round trips and both ways' loss and delay variation, with any reflector."""

import asyncio
import contextlib
import socket
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from whichhop.errors import SystemRefusedError
from whichhop.model import Method, Sample, SessionKey
from whichhop.model.units import MonoNs, UtcNs
from whichhop.net.clock import Clock, both_ns
from whichhop.net.stamped import Address, Datagram, StampedSocket, numeric_address
from whichhop.net.udp import open_udp
from whichhop.probes.base import SessionFacts, Sink
from whichhop.probes.send_times import SendTimes
from whichhop.probes.sessions import Course, Courses, Remembered, plain
from whichhop.wire.ntp64 import ErrorEstimate
from whichhop.wire.stamp import DEFAULT_PORT
from whichhop.wire.stamp_sender import StampSender

_ANY = {socket.AF_INET: "0.0.0.0", socket.AF_INET6: "::"}  # noqa: S104 - a client's socket, port of the system's choice
_SSID_AT, _SSID_AT_AUTH = 14, 26
"""Where an answer carries the session identifier (RFC 8972 figures 3 and 4)."""
_DRAINS = 64
"""Batches taken up before packets are given up; a bound, so that a flood cannot hold the loop."""


@dataclass(slots=True, kw_only=True)
class _StampCourse(Course):
    """A course with the protocol's own state."""

    sender: StampSender


class StampProber:
    """One socket an address family; an answer finds its session by its identifier, else by its source."""

    def __init__(
        self,
        sink: Sink,
        clock: Clock,
        estimate: Callable[[], ErrorEstimate],
        *,
        first_ssid: int,
        port: int = DEFAULT_PORT,
        key: bytes | None = None,
        method: Method = Method.STAMP,
        follow_up: bool = True,
        kernel_stamps: bool = True,
    ) -> None:
        """Nothing is opened yet.

        estimate: tells our clock's error, asked when a session begins and with every `facts`.
        first_ssid: drawn at random, 1..65535; sessions count on from it.
        port: where all reflectors listen. key: for the authenticated mode.
        follow_up: ask the reflector for its kernel's send stamp; a sample then settles with the next answer.
        """
        self.method = method
        self._sink, self._clock, self._estimate = sink, clock, estimate
        self._port, self._key, self._follow_up, self._kernel_stamps = port, key, follow_up, kernel_stamps
        self._next_ssid = first_ssid
        self._loop: asyncio.AbstractEventLoop | None = None
        self._sockets: dict[socket.AddressFamily, StampedSocket] = {}
        self._addresses: dict[str, tuple[socket.AddressFamily, Address]] = {}
        self._courses = Courses(self._begin)
        self._by_ssid: Remembered[int, _StampCourse] = Remembered()
        self._by_address: dict[str, _StampCourse] = {}
        self._send_times: SendTimes[tuple[_StampCourse, int]] = SendTimes()

    def open(self, loop: asyncio.AbstractEventLoop) -> None:
        """Get the sockets; SystemRefusedError with the remedy when IPv4's is refused."""
        self._loop = loop
        self._socket(loop, socket.AF_INET)
        # A machine without IPv6 has no IPv6 targets; should it have one, `send` counts the refusals.
        with contextlib.suppress(SystemRefusedError):
            self._socket(loop, socket.AF_INET6)

    def _socket(self, loop: asyncio.AbstractEventLoop, family: socket.AddressFamily) -> None:
        made = open_udp(_ANY[family], 0, self._clock, kernel_stamps=self._kernel_stamps)
        self._sockets[family] = made
        loop.add_reader(made.fileno(), self._ready, family, made)

    def _begin(self, key: SessionKey, address: str) -> _StampCourse:
        ssid, self._next_ssid = self._next_ssid, self._next_ssid % 0xFFFF + 1
        sender = StampSender(ssid=ssid, estimate=self._estimate(), key=self._key, extended=self._follow_up)
        course = _StampCourse(key=key, address=address, flight=sender.flight, sender=sender)
        self._by_ssid.keep(ssid, course)
        self._by_address[address] = course
        return course

    def send(self, key: SessionKey, address: str) -> None:
        """Send one test packet now."""
        course = self._courses.to(key, plain(address))
        seq = course.flight.next_seq
        try:
            family, where = self._where(address)
            udp = self._sockets[family]
            utc_ns, mono_ns = both_ns(self._clock)
            token = udp.send(course.sender.ask(utc_ns, mono_ns), where)
        except (OSError, KeyError):  # KeyError: no socket of that family
            self._refused(course, seq)
            return
        if token is not None:
            self._send_times.launched((family, token), (course, seq))
            self._stamped(family, udp)

    def _refused(self, course: _StampCourse, seq: int) -> None:
        if course.flight.next_seq == seq:  # refused before it was even numbered
            course.flight.sent(seq, *both_ns(self._clock))
        self._tell(course, course.not_sent(seq))

    def _where(self, address: str) -> tuple[socket.AddressFamily, Address]:
        found = self._addresses.get(address)
        if found is None:
            found = self._addresses[address] = numeric_address(address, self._port)
        return found

    def _ready(self, family: socket.AddressFamily, udp: StampedSocket) -> bool:
        """Take up what waits in a socket; True when there was something."""
        datagrams = udp.receive()
        stamped = self._stamped(family, udp)
        utc_ns, mono_ns = both_ns(self._clock)
        for datagram in datagrams:
            self._answered(datagram, utc_ns, mono_ns)
        return stamped or bool(datagrams)

    def _stamped(self, family: socket.AddressFamily, udp: StampedSocket) -> bool:
        """Hand the send stamps that wait to their flights; True when there were any."""
        stamps = udp.send_stamps()
        for stamp in stamps:
            found = self._send_times.stamped((family, stamp.token), stamp.at_ns, scheduled=stamp.scheduled)
            if found is not None:
                (course, seq), left_ns, driver_ns = found
                course.flight.stamped(seq, driver_ns, left_ns)
        return bool(stamps)

    def _answered(self, datagram: Datagram, utc_ns: UtcNs, mono_ns: MonoNs) -> None:
        at = _SSID_AT if self._key is None else _SSID_AT_AUTH
        source = plain(str(datagram.source[0]))
        course = self._by_ssid.get(int.from_bytes(datagram.data[at : at + 2]))
        if course is None or course.address != source:
            # A reflector of RFC 8762 alone sends no identifier back.
            course = self._by_address.get(source)
        if course is None or datagram.source[1] != self._port:
            return
        samples = course.sender.answer(
            datagram.data,
            t4_ns=datagram.at_ns,
            utc_ns=utc_ns,
            mono_ns=mono_ns,
            t4_kernel=datagram.kernel,
        )
        self._tell(course, samples)

    def _tell(self, course: _StampCourse, samples: Iterable[Sample]) -> None:
        for sample in samples:
            self._sink(course.key, sample)

    def expire(self, now_ns: MonoNs) -> None:
        """Give up packets waited for too long, once what already lies in the sockets has been taken."""
        for family, udp in self._sockets.items():
            for _ in range(_DRAINS):
                if not self._ready(family, udp):
                    break
        for key, sample in self._courses.expire(now_ns):
            self._sink(key, sample)

    def facts(self, key: SessionKey) -> SessionFacts:
        """The session's facts since this was last asked; our clock's error is looked at again too."""
        course = self._courses.of(key)
        if course is None:
            return SessionFacts()
        course.sender.estimate = self._estimate()
        return course.facts(course.sender.clock_error_ns)

    def close(self) -> None:
        """Stop listening and close the sockets."""
        for udp in self._sockets.values():
            if self._loop is not None:
                self._loop.remove_reader(udp.fileno())
            udp.close()
        self._sockets.clear()
