"""Checks of a path for the daemon: which sizes pass it (wire/path_mtu.py), and which DSCP arrived as sent."""

import asyncio
import contextlib
import socket
import struct
from collections.abc import Callable

from msgspec import Struct

from whichhop.errors import SystemRefusedError
from whichhop.model.units import NS_PER_S
from whichhop.net.clock import Clock, both_ns
from whichhop.net.sized_echo import SizedEchoSocket
from whichhop.net.stamped import IP_TOS, IPV6_TCLASS, StampedSocket, numeric_address
from whichhop.net.udp import open_udp
from whichhop.wire.dscp import EXPEDITED, DscpFate, judge_dscp
from whichhop.wire.icmp import HEADER_OCTETS, Echo, Family, pack_echo, strip_ipv4, unpack
from whichhop.wire.ntp64 import ErrorEstimate
from whichhop.wire.path_mtu import SIZES, PathMtu, SizeSearch, echo_payload_octets
from whichhop.wire.quoted import Refusal
from whichhop.wire.stamp import DEFAULT_PORT
from whichhop.wire.stamp_sender import StampSender

PROBE_TIMER_S = 1.0
"""RFC 8899 5.1.1 recommends 15 s and forbids less than 1 s; a home's paths answer within one."""

TRIES = 3
WAIT_S = 1.0


async def check_path_mtu(
    address: str,
    clock: Clock,
    *,
    ident: int,
    sizes: tuple[int, ...] = SIZES,
    probe_timer_s: float = PROBE_TIMER_S,
) -> PathMtu:
    """Which of `sizes` pass whole to a numeric address that answers echo, don't-fragment set.

    ident: 16 random bits that mark our packets on a raw socket. At most 9 packets with the usual sizes.
    SystemRefusedError when no ICMP socket is to be had, or this machine has no way to the target.
    """
    try:
        family, where = numeric_address(address, 0)
        sock = SizedEchoSocket(family, where, ident)
    except OSError as err:
        raise SystemRefusedError(
            f"no way to {address} from this machine: {err.strerror}; check its network"
        ) from err
    asking = _Asking(sock, Family.V6 if ":" in address else Family.V4, clock, probe_timer_s)
    search = SizeSearch(sizes=sizes)
    with contextlib.closing(sock):
        while (size := search.step()) is not None:
            await asking.ask(size, search)
    return search.result()


class _Asking:
    """Sends one request at a time and tells the search what came of it."""

    def __init__(self, sock: SizedEchoSocket, family: Family, clock: Clock, timer_s: float) -> None:
        self._socket, self._family, self._clock, self._timer_s = sock, family, clock, timer_s
        self._seq = 0

    async def ask(self, size: int, search: SizeSearch) -> None:
        self._seq += 1
        payload = bytes(echo_payload_octets(size, self._family.value))
        echo = Echo(reply=False, ident=self._socket.ident, seq=self._seq, payload=payload)
        try:
            own_mtu = self._socket.send(pack_echo(echo, self._family))
        except OSError:
            # A neighbour that does not answer, or a full queue: no proof of a size, and not to be hurried.
            await asyncio.sleep(self._timer_s)
            search.lost()
            return
        if own_mtu is not None:
            search.too_big(own_mtu)
            return
        end_ns = self._clock.mono_ns() + int(self._timer_s * NS_PER_S)
        while not self._settled(len(payload), search):
            left_s = (end_ns - self._clock.mono_ns()) / NS_PER_S
            if left_s <= 0 or not await self._readable(left_s):
                search.lost()
                return

    async def _readable(self, limit_s: float) -> bool:
        loop, ready = asyncio.get_running_loop(), asyncio.Event()
        loop.add_reader(self._socket.fileno(), ready.set)
        try:
            await asyncio.wait_for(ready.wait(), limit_s)
        except TimeoutError:
            return False
        finally:
            loop.remove_reader(self._socket.fileno())
        return True

    def _settled(self, octets: int, search: SizeSearch) -> bool:
        """True once the present request's fate has come in; the search is then told."""
        for message in self._socket.messages():
            body = strip_ipv4(message) if self._socket.raw else message
            found = body if isinstance(body, Refusal) else unpack(body, self._family)
            if not isinstance(found, Echo) or not found.reply or found.ident != self._socket.ident:
                continue
            # A reply shorter than what was asked does not show that the size passes.
            if found.seq == self._seq and len(found.payload) == octets:
                search.passed()
                return True
        for report in self._socket.reports():
            if len(report.message) >= HEADER_OCTETS and int.from_bytes(report.message[6:8]) == self._seq:
                search.too_big(report.mtu)
                return True
        return False


class DscpCheck(Struct, frozen=True, kw_only=True):
    """What was found: the DSCP sent, the one that arrived (None when not told), and what that means."""

    sent: int
    seen: int | None
    fate: DscpFate


async def check_dscp(
    address: str,
    clock: Clock,
    estimate: Callable[[], ErrorEstimate],
    *,
    ssid: int,
    dscp: int = EXPEDITED,
    port: int = DEFAULT_PORT,
    key: bytes | None = None,
    tries: int = TRIES,
    wait_s: float = WAIT_S,
) -> DscpCheck:
    """Whether the way out to a STAMP reflector keeps a DSCP (RFC 8972 4.4, Class of Service).

    ssid: drawn at random, 1..65535. At most `tries` packets. A reflector that knows only RFC 8762 copies the
    question unread, so the answer is UNKNOWN, as it is when nothing comes back. SystemRefusedError when this
    machine gives no socket or `address` is not numeric.
    """
    try:
        family, where = numeric_address(address, port)
    except OSError as err:
        raise SystemRefusedError(
            f"{address!r} is not a numeric address; write one such as 192.0.2.1"
        ) from err
    sender = StampSender(ssid=ssid, estimate=estimate(), key=key, extended=False, dscp=dscp)
    udp = open_udp("0.0.0.0" if family == socket.AF_INET else "::", 0, clock, kernel_stamps=False)  # noqa: S104 - a client's socket
    level, option = (
        (socket.IPPROTO_IP, IP_TOS) if family == socket.AF_INET else (socket.IPPROTO_IPV6, IPV6_TCLASS)
    )
    class_of_service = (level, option, struct.pack("=i", dscp << 2))
    udp.stamp_sends(False)  # one that came back would wake the reader before the answer
    with contextlib.closing(udp):
        for _ in range(tries):
            packet = sender.ask(*both_ns(clock))
            # A send that fails now may succeed the next time; in the end it is told as UNKNOWN.
            with contextlib.suppress(OSError):
                udp.send(packet, where, extra=(class_of_service,))
            await _read(udp, sender, clock, wait_s)
            if sender.seen_classes is not None:
                break
    seen = None if sender.seen_classes is None else sender.seen_classes.dscp2
    return DscpCheck(sent=dscp, seen=seen, fate=judge_dscp(dscp, seen))


async def _read(udp: StampedSocket, sender: StampSender, clock: Clock, wait_s: float) -> None:
    """Wait for one answer, and hand what came to the sender."""
    loop, ready = asyncio.get_running_loop(), asyncio.Event()
    loop.add_reader(udp.fileno(), ready.set)
    try:
        await asyncio.wait_for(ready.wait(), wait_s)
    except TimeoutError:
        return
    finally:
        loop.remove_reader(udp.fileno())
    datagrams = udp.receive()
    utc_ns, mono_ns = both_ns(clock)
    for datagram in datagrams:
        sender.answer(datagram.data, t4_ns=datagram.at_ns, utc_ns=utc_ns, mono_ns=mono_ns)
