"""STAMP, the answering half: reflects what allowed sources send, and counts what it drops and why."""

import asyncio
from collections import Counter
from collections.abc import Callable

from whichhop.errors import SystemRefusedError
from whichhop.net.clock import Clock
from whichhop.net.stamped import Datagram, SendStamp, StampedSocket
from whichhop.net.udp import open_udp
from whichhop.probes.gate import Gate
from whichhop.probes.sessions import Remembered
from whichhop.wire.ntp64 import ErrorEstimate
from whichhop.wire.refusal import Refusal
from whichhop.wire.stamp import AUTH_OCTETS, BASE_OCTETS, DEFAULT_PORT
from whichhop.wire.stamp_reflector import Reflected, Reflector
from whichhop.wire.stamp_tlv import StampMethod, SyncSource, TimestampInformation

NOT_SENT = "not-sent"
"""The reason counted when the system would not take an answer."""
_TTL_UNTOLD = 0
"""What an answer's sender-TTL field says where the system does not tell the TTL."""


class StampReflector:
    """Reflects on one address and port. Sessions are told apart by source and identifier (RFC 8972 3)."""

    def __init__(
        self,
        clock: Clock,
        gate: Gate,
        estimate: Callable[[], ErrorEstimate],
        *,
        bind: str,
        port: int = DEFAULT_PORT,
        key: bytes | None = None,
        kernel_stamps: bool = True,
    ) -> None:
        """Nothing is opened yet. estimate: our clock's error, asked at the start and by `refresh`."""
        self._clock, self._gate, self._estimate = clock, gate, estimate
        self._bind, self._port = bind, port
        self._kernel_stamps = kernel_stamps
        self._base_octets = BASE_OCTETS if key is None else AUTH_OCTETS
        self._reflector = Reflector(estimate=estimate(), key=key)
        self._udp: StampedSocket | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._turned: Counter[str] = Counter()
        self._by_token: Remembered[int, tuple[Reflected, int]] = Remembered()

    def open(self, loop: asyncio.AbstractEventLoop) -> None:
        """Listen; SystemRefusedError with the remedy when the port is taken or not allowed."""
        self._loop = loop
        self._udp = open_udp(
            self._bind,
            self._port,
            self._clock,
            kernel_stamps=self._kernel_stamps,
            want_header=True,
            want_local=True,
        )
        loop.add_reader(self._udp.fileno(), self._ready)
        self.refresh()

    @property
    def port(self) -> int:
        """The port listened on, which the system chose when 0 was asked for."""
        if self._udp is None:
            raise SystemRefusedError("the reflector is not listening; open it first")
        return int(self._udp.socket.getsockname()[1])

    def refresh(self) -> None:
        """Look at our clock's error again; about once a minute."""
        estimate = self._estimate()
        self._reflector.estimate = estimate
        by_kernel = self._udp is not None and self._udp.kernel_stamps
        source = SyncSource.NTP if estimate.synced else SyncSource.FREE_RUNNING
        self._reflector.information = TimestampInformation(
            source_in=source,
            method_in=StampMethod.SOFTWARE if by_kernel else StampMethod.CONTROL_PLANE,
            source_out=source,
            method_out=StampMethod.CONTROL_PLANE,
        )

    @property
    def answered(self) -> int:
        """Answers made since the start."""
        return self._reflector.answered

    def dropped(self) -> dict[str, int]:
        """Datagrams not answered since the start, by reason: Turned, Refusal or NOT_SENT."""
        return {**self._turned, **{str(r): n for r, n in self._reflector.refused.items()}}

    def _ready(self) -> None:
        udp = self._udp
        if udp is None:
            return
        stamps, datagrams = udp.drain()
        self._left(stamps)
        now_ns = self._clock.mono_ns()
        for datagram in datagrams:
            turned = self._gate.turned(datagram.source[0], now_ns)
            if turned is None:
                self._reflect(udp, datagram)
            else:
                self._turned[turned] += 1

    def _reflect(self, udp: StampedSocket, datagram: Datagram) -> None:
        data, source, at_ns, _kernel, ttl, tos, local = datagram
        mark = tos or 0
        answer = self._reflector.reflect(
            data,
            source,
            at_ns,
            self._clock.utc_ns(),
            ttl=_TTL_UNTOLD if ttl is None else ttl,
            dscp=mark >> 2,
            ecn=mark & 3,
        )
        if isinstance(answer, Refusal):
            return
        # Only extensions can ask for follow-up telemetry, so a bare packet's answer needs no send stamp.
        stamp = len(data) > self._base_octets
        extra = () if local is None else (udp.local_ancillary(local),)
        session = self._reflector.session
        try:
            token = udp.send(answer, source, stamp=stamp, extra=extra)
        except OSError:
            self._turned[NOT_SENT] += 1
            return
        if token is not None:
            self._by_token.keep(token, (session, (session.count - 1) & 0xFFFFFFFF))

    def _left(self, stamps: list[SendStamp]) -> None:
        """Pass the kernel's send stamps on to their sessions.

        The scheduling stamp is the one: what the answer then waits in this machine's own queue belongs to the
        path, as it does for everybody else's packets.
        """
        for stamp in stamps:
            if stamp.scheduled:
                found = self._by_token.get(stamp.token)
                if found is not None:
                    session, number = found
                    self._reflector.left(session, number, stamp.at_ns, StampMethod.SOFTWARE)

    def close(self) -> None:
        """Stop listening."""
        if self._udp is not None:
            if self._loop is not None:
                self._loop.remove_reader(self._udp.fileno())
            self._udp.close()
            self._udp = None
