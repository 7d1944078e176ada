"""ICMP echo: asks any node for its own packet back, and tells the round trip by the kernel's stamps."""

import socket
import struct

from whichhop.model import Fate, Method
from whichhop.model.units import MonoNs, UtcNs
from whichhop.net.clock import Clock
from whichhop.net.icmp_socket import EchoAnswer, EchoSocket
from whichhop.net.stamped import Address
from whichhop.probes.base import Sink
from whichhop.probes.datagram_prober import NumberedProber
from whichhop.probes.sessions import plain
from whichhop.wire.icmp import Echo, Family, pack_echo
from whichhop.wire.quoted import Refusal, read_quoted

_PAYLOAD = struct.Struct("!8sI32x")
"""A cookie of this process, so that nobody else's reply is taken for ours, and the number in its session.

44 octets: an echo is then as long on the line as a STAMP base packet in UDP (RFC 8762 4.2)."""

_VERSIONS = {socket.AF_INET: Family.V4, socket.AF_INET6: Family.V6}


class EchoProber(NumberedProber[EchoSocket]):
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
        super().__init__(sink, clock, cookie, port=0, kernel_stamps=kernel_stamps, prompt=prompt)
        self.method, self._cookie = method, cookie

    @property
    def unprivileged(self) -> bool:
        """True when the system gave its unprivileged kind of socket and no capability is needed."""
        return bool(self._sockets) and all(s.unprivileged for s in self._sockets.values())

    def _socket(self, family: socket.AddressFamily) -> EchoSocket:
        ident = int.from_bytes(self._cookie[2:4])
        return EchoSocket(family, self._clock, ident=ident, kernel_stamps=self._kernel_stamps)

    def _send(self, where: EchoSocket, family: socket.AddressFamily, to: Address, seq: int) -> int | None:
        payload = _PAYLOAD.pack(self._cookie, seq & 0xFFFFFFFF)
        echo = Echo(reply=False, ident=where.ident, seq=self._number, payload=payload)
        return where.send(pack_echo(echo, _VERSIONS[family]), to)

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
        self._arrived(course, seq, answer, utc_ns, mono_ns)
