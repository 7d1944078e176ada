"""STAMP, the asking half: round trips and both ways' loss and delay variation, with any reflector."""

import socket
from collections.abc import Callable

from whichhop.model import Method, SessionKey
from whichhop.model.units import MonoNs, UtcNs
from whichhop.net.clock import Clock, both_ns
from whichhop.net.stamped import Datagram, StampedSocket
from whichhop.probes.base import SessionFacts, Sink
from whichhop.probes.datagram_prober import DatagramProber, client_socket
from whichhop.probes.sessions import Course, Remembered, plain
from whichhop.wire.ntp64 import ErrorEstimate
from whichhop.wire.stamp import DEFAULT_PORT
from whichhop.wire.stamp_sender import StampSender

_SSID_AT, _SSID_AT_AUTH = 14, 26
"""Where an answer carries the session identifier (RFC 8972 figures 3 and 4)."""


class _StampCourse(Course, kw_only=True):
    """A course with the protocol's own state."""

    sender: StampSender


class StampProber(DatagramProber[StampedSocket, _StampCourse]):
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
        prompt: bool = True,
    ) -> None:
        """Nothing is opened yet.

        estimate: tells our clock's error, asked when a session begins and with every `facts`.
        first_ssid: drawn at random, 1..65535; sessions count on from it.
        port: where all reflectors listen. key: for the authenticated mode.
        follow_up: ask the reflector for its kernel's send stamp; a sample then settles with the next answer.
        """
        super().__init__(sink, clock, self._begin, port=port, kernel_stamps=kernel_stamps, prompt=prompt)
        self.method = method
        self._estimate, self._key, self._follow_up = estimate, key, follow_up
        self._next_ssid = first_ssid
        self._by_ssid: Remembered[int, _StampCourse] = Remembered()
        self._by_address: dict[str, _StampCourse] = {}

    def _socket(self, family: socket.AddressFamily) -> StampedSocket:
        # A reflector never answers to a port where reflectors listen, and the system may choose just that.
        refused: list[StampedSocket] = []
        while True:
            found = client_socket(family, self._clock, kernel_stamps=self._kernel_stamps)
            if found.socket.getsockname()[1] != self._port:
                for one in refused:
                    one.close()
                return found
            refused.append(found)

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
        self._launched(family, token, course, seq)

    def _refused(self, course: _StampCourse, seq: int) -> None:
        if course.flight.next_seq == seq:  # refused before it was even numbered
            course.flight.sent(seq, *both_ns(self._clock))
        self._tell(course, course.not_sent(seq))

    def _answered(self, where: StampedSocket, answer: Datagram, utc_ns: UtcNs, mono_ns: MonoNs) -> None:
        at = _SSID_AT if self._key is None else _SSID_AT_AUTH
        source = plain(str(answer.source[0]))
        course = self._by_ssid.get(int.from_bytes(answer.data[at : at + 2]))
        if course is None or course.address != source:
            # A reflector of RFC 8762 alone sends no identifier back.
            course = self._by_address.get(source)
        if course is None or answer.source[1] != self._port:
            return
        samples = course.sender.answer(
            answer.data,
            t4_ns=answer.at_ns,
            utc_ns=utc_ns,
            mono_ns=mono_ns,
            t4_kernel=answer.kernel,
        )
        self._tell(course, samples)

    def facts(self, key: SessionKey) -> SessionFacts:
        """The session's facts since this was last asked; our clock's error is looked at again too."""
        course = self._courses.of(key)
        if course is None:
            return SessionFacts()
        course.sender.estimate = self._estimate()
        return course.facts(course.sender.clock_error_ns)
