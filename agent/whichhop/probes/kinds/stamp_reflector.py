"""STAMP, the answering half: reflects what allowed sources send, and counts what it drops and why."""

import asyncio
import contextlib
import struct
from collections import Counter, deque
from collections.abc import Callable
from ipaddress import ip_address

from whichhop.errors import SystemRefusedError
from whichhop.model.units import MonoNs
from whichhop.net.batch import SLOTS, Batch, address_of
from whichhop.net.clock import Clock
from whichhop.net.stamped import Address, Datagram, SendStamp, StampedSocket
from whichhop.net.udp import open_udp
from whichhop.probes.admission import Admission, Turned
from whichhop.probes.sessions import SendTimes
from whichhop.wire.ntp64 import ErrorEstimate, field_from_utc
from whichhop.wire.quoted import Refusal
from whichhop.wire.stamp import DEFAULT_PORT
from whichhop.wire.stamp_reflector import Reflected, Reflector
from whichhop.wire.stamp_refusal import Reason, refusal
from whichhop.wire.stamp_tlv import StampMethod, SyncSource, TimestampInformation

NOT_SENT = "not-sent"
"""The reason counted when the system would not take an answer."""
_T3, _T3_AT = struct.Struct("!Q"), 4
_LAGS = 32
"""Answers whose way from our clock reading into the kernel is remembered."""
_LEAD_PLACE = _LAGS // 4
"""Their lower quartile is added to T3: with every core busy the least of them left T3 6.6 us early at the
median, the quartile is off by 3.0 us; the median would be as near, but late every other time."""
_FLOOD = 32
"""So many asks at once are a flood: answered by the batch and without send stamps until it ebbs."""
_FLOOD_BATCHES = 16
_ASKERS_MOST = 1024
_TOLD = {Refusal.BAD_TAG: Reason.KEY, Refusal.TRUNCATED: Reason.KEY, Refusal.REPLAYED: Reason.OTHER}
"""What the sender is told where a packet is refused: one too short for a tag is of a home without a key. A
recording played again is told too, since it may be a sender whose clock is wrong."""
_FORGED = frozenset({Refusal.BAD_TAG, Refusal.TRUNCATED})
"""With a key, what no holder of it sends: whoever sends it may claim any address."""
_TTL_UNTOLD = 0
"""What an answer's sender-TTL field says where the system does not tell the TTL."""


class StampReflector:
    """Reflects on one address and port. Sessions are told apart by source and identifier (RFC 8972 3)."""

    def __init__(
        self,
        clock: Clock,
        admission: Admission,
        estimate: Callable[[], ErrorEstimate],
        *,
        bind: str,
        port: int = DEFAULT_PORT,
        key: bytes | None = None,
        kernel_stamps: bool = True,
    ) -> None:
        """Nothing is opened yet. estimate: our clock's error, asked at the start and by `refresh`."""
        self._clock, self._admission, self._estimate = clock, admission, estimate
        self._bind, self._port = bind, port
        self._kernel_stamps = kernel_stamps
        self._tagged = key is not None
        self._reflector = Reflector(estimate=estimate(), key=key)
        self._udp: StampedSocket | None = None
        self._batch: Batch | None = None
        self._flooded = False
        self._askers: dict[bytes, Address] = {}
        self._loop: asyncio.AbstractEventLoop | None = None
        self._lags_ns: deque[int] = deque(maxlen=_LAGS)
        self._lead_ns = 0
        self._turned: Counter[str] = Counter()
        self.told = 0
        """Refusals told to whoever asked, since the start."""
        self._send_times: SendTimes[tuple[Reflected, int, int]] = SendTimes()

    def open(self, loop: asyncio.AbstractEventLoop) -> None:
        """Listen; SystemRefusedError with the remedy when the port is taken or not allowed."""
        self._loop = loop
        self._udp = open_udp(
            self._bind,
            self._port,
            self._clock,
            kernel_stamps=self._kernel_stamps,
            want_header=True,
            want_local=ip_address(self._bind).is_unspecified,
        )
        # Where the system has no such calls, or answers must choose their address, each goes alone.
        with contextlib.suppress(OSError):
            self._batch = Batch(self._udp)
        self._admission.reserve(self.port)
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
        if self._flooded and self._batch is not None:
            self._flood(self._batch)
            return
        datagrams = udp.receive(_FLOOD)
        self._left(udp.send_stamps(sure=not datagrams))
        now_ns = self._clock.mono_ns()
        for datagram in datagrams:
            turned = self._admission.turned(datagram.source[0], datagram.source[1], now_ns)
            if turned is None:
                self._reflect(udp, datagram, now_ns)
            else:
                self._turned[turned] += 1
                self._tell_stranger(udp, datagram, turned, now_ns)
        if len(datagrams) == _FLOOD:
            self._flooded = True
            udp.stamp_sends(False)

    def _flood(self, batch: Batch) -> None:
        """Answer by the batch, in haste: no send stamps, T3 as each answer is made."""
        now_ns = self._clock.mono_ns()
        turned_by, reflect, utc_ns = self._admission.turned, self._reflector.reflect, self._clock.utc_ns
        turned_away, askers = self._turned, self._askers
        if len(askers) > _ASKERS_MOST:
            askers.clear()

        def answer(data: bytes, raw: bytes, at_ns: int, ttl: int, tos: int) -> memoryview | None:
            asker = askers.get(raw)
            if asker is None:
                asker = askers[raw] = address_of(raw)
            turned = turned_by(asker[0], asker[1], now_ns)
            if turned is not None:
                turned_away[turned] += 1
                return None
            t3_ns = utc_ns()
            done = reflect(data, asker, at_ns or t3_ns, t3_ns, ttl=ttl, dscp=tos >> 2, ecn=tos & 3)
            if not isinstance(done, Refusal):
                return done
            if self._tagged and done in _FORGED:
                self._admission.forged(asker[0], now_ns)
            return None

        total = 0
        for _ in range(_FLOOD_BATCHES):
            taken, unsent = batch.exchange(answer)
            total += taken
            if unsent:
                turned_away[NOT_SENT] += unsent
            if taken < SLOTS:
                break
        if total < _FLOOD:
            self._flooded = False
            if self._udp is not None:
                self._udp.stamp_sends(True)
                self._left(self._udp.send_stamps())

    def _reflect(self, udp: StampedSocket, datagram: Datagram, now_ns: MonoNs) -> None:
        data, source, at_ns, _kernel, ttl, tos, local = datagram
        mark = tos or 0
        t3_ns = self._clock.utc_ns()
        answer = self._reflector.reflect(
            data,
            source,
            at_ns,
            t3_ns + self._lead_ns,
            ttl=_TTL_UNTOLD if ttl is None else ttl,
            dscp=mark >> 2,
            ecn=mark & 3,
        )
        if isinstance(answer, Refusal):
            if self._tagged and answer in _FORGED:
                self._admission.forged(source[0], now_ns)
                if not self._admission.may_tell(now_ns):
                    return
            self._tell(udp, datagram, _TOLD.get(answer))
            return
        session = self._reflector.session
        extra = () if local is None else (udp.local_ancillary(local),)
        if not self._tagged:
            # The tag of an authenticated packet covers T3; of a bare one it can be written last of all.
            t3_ns = self._clock.utc_ns()
            field = field_from_utc(t3_ns + self._lead_ns, ptp=self._reflector.estimate.ptp)
            _T3.pack_into(answer, _T3_AT, field)
        try:
            token = udp.send(answer, source, extra)
        except OSError:
            self._turned[NOT_SENT] += 1
            return
        if token is not None:
            self._send_times.launched(token, (session, (session.count - 1) & 0xFFFFFFFF, t3_ns))
            # Now, since the next ask of the session may already be in this batch.
            self._left(udp.send_stamps())

    def _tell_stranger(self, udp: StampedSocket, datagram: Datagram, turned: Turned, now_ns: MonoNs) -> None:
        """Tell why it gets no answer: an ask of our home's key from an address we do not know, or too many.

        In haste (a flood) nobody is told; nor from a port where services answer, nor to ourselves.
        """
        if turned not in (Turned.NOT_ALLOWED, Turned.RATE_LIMITED) or not self._admission.may_tell(now_ns):
            return
        if self._reflector.genuine(datagram.data):
            self._tell(udp, datagram, Reason.ADDRESS if turned is Turned.NOT_ALLOWED else Reason.OTHER)

    def _tell(self, udp: StampedSocket, datagram: Datagram, reason: Reason | None) -> None:
        """Answer an ask by a refusal, where it may be told; never longer than the ask."""
        word = None if reason is None else refusal(datagram.data, reason, self._reflector.key)
        if word is None:
            return
        extra = () if datagram.local is None else (udp.local_ancillary(datagram.local),)
        with contextlib.suppress(OSError):  # it was refused already, and that is counted
            udp.send(word, datagram.source, extra)
            self.told += 1

    def _left(self, stamps: list[SendStamp]) -> None:
        """Pass the kernel's send stamps on to their sessions."""
        for stamp in stamps:
            found = self._send_times.stamped(stamp.token, stamp.at_ns, scheduled=stamp.scheduled)
            if found is not None:
                (session, number, t3_ns), left_ns, _driver_ns = found
                self._lags_ns.append(left_ns - t3_ns)
                self._reflector.left(session, number, left_ns, StampMethod.SOFTWARE)
        if self._lags_ns:
            self._lead_ns = max(0, sorted(self._lags_ns)[len(self._lags_ns) * _LEAD_PLACE // _LAGS])

    def close(self) -> None:
        """Stop listening."""
        if self._udp is not None:
            if self._loop is not None:
                self._loop.remove_reader(self._udp.fileno())
            self._udp.close()
            self._udp = None
