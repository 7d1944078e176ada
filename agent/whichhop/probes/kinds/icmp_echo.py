"""ICMP echo: asks any node for its own packet back, and tells the round trip by the kernel's stamps."""

import socket
import struct

from whichhop.model import Fate, Method, SessionKey
from whichhop.model.units import MonoNs, UtcNs
from whichhop.net.clock import Clock, both_ns
from whichhop.net.icmp_socket import EchoAnswer, EchoSocket
from whichhop.probes.base import Sink
from whichhop.probes.datagram_prober import DatagramProber
from whichhop.probes.sessions import Course, plain
from whichhop.wire.flight import Flight
from whichhop.wire.icmp import Echo, Family, pack_echo
from whichhop.wire.quoted import Refusal, read_quoted

_PAYLOAD = struct.Struct("!8sI32x")
"""A cookie of this process, so that nobody else's reply is taken for ours, and the number in its session.

44 octets: an echo is then as long on the line as a STAMP base packet in UDP (RFC 8762 4.2)."""

_VERSIONS = {socket.AF_INET: Family.V4, socket.AF_INET6: Family.V6}


class EchoProber(DatagramProber[EchoSocket, Course]):
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
        prompt: bool = True,
    ) -> None:
        """`cookie`: 8 random octets."""
        super().__init__(sink, clock, self._begin, port=0, kernel_stamps=kernel_stamps, prompt=prompt)
        self.method, self._cookie = method, cookie
        self._number = int.from_bytes(cookie[:2])

    @staticmethod
    def _begin(key: SessionKey, address: str) -> Course:
        return Course(key=key, address=address, flight=Flight())

    @property
    def unprivileged(self) -> bool:
        """True when the system gave its unprivileged kind of socket and no capability is needed."""
        return bool(self._sockets) and all(s.unprivileged for s in self._sockets.values())

    def _socket(self, family: socket.AddressFamily) -> EchoSocket:
        ident = int.from_bytes(self._cookie[2:4])
        return EchoSocket(family, self._clock, ident=ident, kernel_stamps=self._kernel_stamps)

    def send(self, key: SessionKey, address: str) -> None:
        """Send one echo request now."""
        course = self._courses.to(key, plain(address))
        seq = course.flight.next_seq
        self._number = (self._number + 1) & 0xFFFF
        utc_ns, mono_ns = both_ns(self._clock)
        course.flight.sent(seq, utc_ns, mono_ns)
        try:
            family, where = self._where(address)
            asking = self._sockets[family]
            payload = _PAYLOAD.pack(self._cookie, seq & 0xFFFFFFFF)
            echo = Echo(reply=False, ident=asking.ident, seq=self._number, payload=payload)
            token = asking.send(pack_echo(echo, _VERSIONS[family]), where)
        except (OSError, KeyError):  # KeyError: no socket of that family
            self._tell(course, course.not_sent(seq))
            return
        self._numbers.keep(self._number, (course, seq))
        self._launched(family, token, course, seq)

    def _answered(self, where: EchoSocket, answer: EchoAnswer, utc_ns: UtcNs, mono_ns: MonoNs) -> None:
        found = self._numbers.get(answer.sequence)
        if found is None:
            return
        course, seq = found
        if answer.error:
            quoted = read_quoted(answer.body)
            if isinstance(quoted, Refusal) or (quoted.target, quoted.ident) != (course.address, where.ident):
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
