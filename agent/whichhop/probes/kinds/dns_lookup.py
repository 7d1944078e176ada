"""DNS lookup: how long a resolver takes to answer a question, by the kernel's stamps."""

import asyncio
import contextlib
import socket
from collections.abc import Iterable

from whichhop.errors import SystemRefusedError
from whichhop.model import Method, Sample, SessionKey
from whichhop.model.units import MonoNs, UtcNs
from whichhop.net.clock import Clock, both_ns
from whichhop.net.stamped import Address, Datagram, StampedSocket, numeric_address
from whichhop.net.udp import open_udp
from whichhop.probes.base import SessionFacts, Sink
from whichhop.probes.send_times import SendTimes
from whichhop.probes.sessions import Course, Courses, Remembered, plain
from whichhop.wire.flight import Flight
from whichhop.wire.lookup import Question, decode_answer, encode_question
from whichhop.wire.refusal import Refusal

DNS_PORT = 53
_DRAINS = 64
"""Batches taken up before questions are given up; a bound, so that a flood cannot hold the loop."""
_ANY = {socket.AF_INET: "0.0.0.0", socket.AF_INET6: "::"}  # noqa: S104 - a client's socket


class DnsLookupProber:
    """One UDP socket for each address family; every resolver is asked the same question.

    A resolver that answers with a failure (RCODE 2, 5 ...) did not resolve, so that question ends as lost
    after the waiting time, like one without an answer, and is counted as refused. An answer comes from the
    resolver's cache as a rule: what is measured is the way to it and its own pace.
    """

    method = Method.LOOKUP

    def __init__(
        self,
        sink: Sink,
        clock: Clock,
        cookie: bytes,
        question: Question,
        *,
        port: int = DNS_PORT,
        kernel_stamps: bool = True,
    ) -> None:
        """`cookie`: at least 2 random octets, so that a stranger cannot guess the next question's number."""
        self._sink, self._clock, self._question, self._port = sink, clock, question, port
        self._ident = int.from_bytes(cookie[:2])
        self._kernel_stamps = kernel_stamps
        self._loop: asyncio.AbstractEventLoop | None = None
        self._sockets: dict[socket.AddressFamily, StampedSocket] = {}
        self._addresses: dict[str, tuple[socket.AddressFamily, Address]] = {}
        self._courses = Courses(lambda key, address: Course(key=key, address=address, flight=Flight()))
        self._by_ident: Remembered[int, tuple[Course, int]] = Remembered()
        self._send_times: SendTimes[tuple[Course, int]] = SendTimes()

    def open(self, loop: asyncio.AbstractEventLoop) -> None:
        """Get the sockets; SystemRefusedError with the remedy when IPv4's is refused."""
        self._loop = loop
        self._socket(loop, socket.AF_INET)
        # A machine without IPv6 asks no resolver there; should it have one, `send` counts the refusals.
        with contextlib.suppress(SystemRefusedError):
            self._socket(loop, socket.AF_INET6)

    def _socket(self, loop: asyncio.AbstractEventLoop, family: socket.AddressFamily) -> None:
        made = open_udp(_ANY[family], 0, self._clock, kernel_stamps=self._kernel_stamps)
        self._sockets[family] = made
        loop.add_reader(made.fileno(), self._ready, family)

    def send(self, key: SessionKey, address: str) -> None:
        """Ask the resolver at `address` once, now."""
        course = self._courses.to(key, plain(address))
        seq = course.flight.next_seq
        self._ident = (self._ident + 1) & 0xFFFF
        packet = encode_question(self._question, self._ident)
        utc_ns, mono_ns = both_ns(self._clock)
        course.flight.sent(seq, utc_ns, mono_ns)
        try:
            family, where = self._where(address)
            token = self._sockets[family].send(packet, where)
        except (OSError, KeyError):  # KeyError: no socket of that family
            self._tell(course, course.not_sent(seq))
            return
        self._by_ident.keep(self._ident, (course, seq))
        if token is not None:
            self._send_times.launched((family, token), (course, seq))
            self._stamped(family)

    def _where(self, address: str) -> tuple[socket.AddressFamily, Address]:
        found = self._addresses.get(address)
        if found is None:
            found = self._addresses[address] = numeric_address(address, self._port)
        return found

    def _ready(self, family: socket.AddressFamily) -> bool:
        """Take up what waits in a socket; True when there was something."""
        datagrams = self._sockets[family].receive()
        stamped = self._stamped(family)
        utc_ns, mono_ns = both_ns(self._clock)
        for datagram in datagrams:
            self._answered(datagram, utc_ns, mono_ns)
        return stamped or bool(datagrams)

    def _stamped(self, family: socket.AddressFamily) -> bool:
        """Hand the send stamps that wait to their flights; True when there were any."""
        stamps = self._sockets[family].send_stamps()
        for stamp in stamps:
            found = self._send_times.stamped((family, stamp.token), stamp.at_ns, scheduled=stamp.scheduled)
            if found is not None:
                (course, seq), left_ns, driver_ns = found
                course.flight.stamped(seq, driver_ns, left_ns)
        return bool(stamps)

    def _answered(self, datagram: Datagram, utc_ns: UtcNs, mono_ns: MonoNs) -> None:
        answer = decode_answer(datagram.data, self._question)
        found = None if answer is None else self._by_ident.get(answer.ident)
        if answer is None or found is None:
            return
        course, seq = found
        if plain(str(datagram.source[0])) != course.address or datagram.source[1] != self._port:
            course.flight.refuse(Refusal.UNASKED)
        elif not answer.resolved:
            course.flight.refuse(Refusal.FAILED)
        else:
            kernel = frozenset({"T4"} if datagram.kernel else ())
            self._tell(
                course,
                course.flight.answered(
                    seq, t4_ns=datagram.at_ns, utc_ns=utc_ns, mono_ns=mono_ns, kernel=kernel
                ),
            )

    def _tell(self, course: Course, samples: Iterable[Sample]) -> None:
        for sample in samples:
            self._sink(course.key, sample)

    def expire(self, now_ns: MonoNs) -> None:
        """Give up questions waited for too long, once what already lies in the sockets has been taken."""
        for family in self._sockets:
            for _ in range(_DRAINS):
                if not self._ready(family):
                    break
        for key, sample in self._courses.expire(now_ns):
            self._sink(key, sample)

    def facts(self, key: SessionKey) -> SessionFacts:
        """The session's facts since this was last asked."""
        course = self._courses.of(key)
        return SessionFacts() if course is None else course.facts()

    def close(self) -> None:
        """Stop listening and close the sockets."""
        for made in self._sockets.values():
            if self._loop is not None:
                self._loop.remove_reader(made.fileno())
            made.close()
        self._sockets.clear()
