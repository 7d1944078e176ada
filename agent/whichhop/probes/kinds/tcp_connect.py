"""TCP connect: the round trip of a handshake, for targets that do not answer echo."""

import asyncio
import socket

from msgspec import Struct

from whichhop.model import Fate, Method, SessionKey
from whichhop.model.units import MonoNs
from whichhop.net import handshake
from whichhop.net.clock import Clock, both_ns
from whichhop.net.stamped import numeric_address
from whichhop.probes.base import Sink
from whichhop.probes.datagram_prober import CourseProber
from whichhop.probes.sessions import Course, Courses, flying, plain
from whichhop.wire.flight import WAIT_NS


class _Try(Struct, frozen=True, kw_only=True):
    course: Course
    seq: int
    begun_ns: MonoNs
    socket: socket.socket


class TcpConnectProber(CourseProber[Course]):
    """A connection a packet, closed as soon as it stands; no data is ever sent over it.

    A refusal is an answer: the target was reached. A handshake that stands only because its first packet
    was sent again lost a packet, so it ends as lost, not as a round trip of a second. Round trips are the
    kernel's own where it tells them; after a refusal, user space's.
    """

    method = Method.TCP

    def __init__(self, sink: Sink, clock: Clock, *, port: int) -> None:
        """`port`: where every target of this prober is asked."""
        self._sink, self._clock, self._port = sink, clock, port
        self._loop: asyncio.AbstractEventLoop | None = None
        self._courses = Courses(flying)
        self._tries: dict[int, _Try] = {}
        """By the socket's descriptor, in the order begun."""

    def open(self, loop: asyncio.AbstractEventLoop) -> None:
        """Remember the loop; each connection is a socket of its own, so nothing can be refused yet."""
        self._loop = loop

    def send(self, key: SessionKey, address: str) -> None:
        """Begin one handshake now; RuntimeError before `open`."""
        if self._loop is None:
            raise RuntimeError("open the prober before sending")
        course = self._courses.to(key, plain(address))
        seq = course.flight.next_seq
        utc_ns, mono_ns = both_ns(self._clock)
        course.flight.sent(seq, utc_ns, mono_ns)
        try:
            family, where = numeric_address(address, self._port)
            sock = handshake.begin(family, where)
        except OSError:
            self._tell(course, course.not_sent(seq))
            return
        self._tries[sock.fileno()] = _Try(course=course, seq=seq, begun_ns=mono_ns, socket=sock)
        self._loop.add_writer(sock.fileno(), self._ended, sock.fileno())

    def _ended(self, fileno: int) -> None:
        utc_ns, mono_ns = both_ns(self._clock)
        attempt = self._tries[fileno]
        course, seq = attempt.course, attempt.seq
        how = handshake.end(attempt.socket)
        self._drop(attempt)
        if how.unreachable:
            self._tell(course, course.flight.settle(seq, Fate.LOST_OUT))
            return
        begun_ns = course.flight.sent_at(seq)
        if not how.reached or how.repeated or begun_ns is None:
            return  # it stays under way until the waiting time is over, and is lost then
        ended_ns, kernel = int(utc_ns), frozenset[str]()
        if how.rtt_ns is not None:
            # TCP counts from handing the packet to the queueing discipline: in effect the scheduling stamp.
            course.flight.stamped(seq, None, begun_ns)
            ended_ns, kernel = begun_ns + how.rtt_ns, frozenset({"T4"})
        self._tell(
            course,
            course.flight.answered(seq, t4_ns=ended_ns, utc_ns=utc_ns, mono_ns=mono_ns, kernel=kernel),
        )

    def _drop(self, attempt: _Try) -> None:
        fileno = attempt.socket.fileno()
        del self._tries[fileno]
        if self._loop is not None:
            self._loop.remove_writer(fileno)
        attempt.socket.close()

    def gather(self) -> None:
        """Nothing waits: the loop tells of each handshake."""

    def expire(self, now_ns: MonoNs) -> None:
        """Give up handshakes waited for too long, once those that ended meanwhile have been taken up."""
        for fileno, attempt in list(self._tries.items()):
            if handshake.has_ended(attempt.socket):
                self._ended(fileno)
            elif now_ns - attempt.begun_ns > WAIT_NS:
                self._drop(attempt)
        for key, sample in self._courses.expire(now_ns):
            self._sink(key, sample)

    def close(self) -> None:
        """Drop every connection; handshakes under way yield no sample."""
        for attempt in list(self._tries.values()):
            self._drop(attempt)
