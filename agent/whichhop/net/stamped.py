"""A datagram socket that the kernel stamps on sending and receiving, with user-space times where it does not.

Linux's SO_TIMESTAMPING (kernel documentation, networking/timestamping): receive stamps come as ancillary
data, transmit stamps as messages on the socket's error queue. Two transmit stamps are asked for, because a
machine hides its own queue from the later one: SCHED is taken as the packet enters the queueing discipline,
SOFTWARE as the driver takes it, so their difference is what the packet waited in this machine's own queue.
"""

import errno
import socket
import struct
from collections.abc import Iterable, Sequence
from ipaddress import ip_address
from typing import NamedTuple, cast

from whichhop.model.units import NS_PER_S, UtcNs
from whichhop.net.clock import Clock
from whichhop.net.own_interface import link_of_default
from whichhop.net.system import HERE, error_numbers

# asm-generic/socket.h; the NEW options carry 64-bit seconds on 32-bit machines too (kernel 5.1 and later).
SO_TIMESTAMPING_OLD = 37
SO_TIMESTAMPING_NEW = 65
# linux/net_tstamp.h
TX_SOFTWARE = 1 << 1
RX_SOFTWARE = 1 << 3
REPORT_SOFTWARE = 1 << 4
OPT_ID = 1 << 7
TX_SCHED = 1 << 8
OPT_TSONLY = 1 << 11
# linux/errqueue.h
ORIGIN_TIMESTAMPING = 4
TSTAMP_SND = 0
TSTAMP_SCHED = 1
# linux/in.h, linux/in6.h: not all of them are in Python's socket module.
IP_PKTINFO = 8
IP_RECVERR = 11
IP_RECVTTL = 12
IP_RECVTOS = 13
IP_TTL = 2
IP_TOS = 1
IPV6_RECVPKTINFO = 49
IPV6_PKTINFO = 50
IPV6_RECVERR = 25
IPV6_RECVHOPLIMIT = 51
IPV6_HOPLIMIT = 52
IPV6_RECVTCLASS = 66
IPV6_TCLASS = 67

_SOCKET_FLAGS = RX_SOFTWARE | REPORT_SOFTWARE | OPT_ID | OPT_TSONLY
_TX_FLAGS = TX_SOFTWARE | TX_SCHED
_TIMESPEC_64 = struct.Struct("=qq")
_TIMESPEC_NATIVE = struct.Struct("@ll")
_INT = struct.Struct("=i")
_EXTENDED_ERROR = struct.Struct("=IBBBBII")
_ANCILLARY_BYTES = 256
_DATAGRAM_BYTES = 65_535
BATCH = 64
"""Datagrams taken in one go, so that a flood cannot starve the rest of the loop."""

_SOFT = error_numbers(
    "ECONNREFUSED",
    "ECONNRESET",  # Windows' word for it
    "EHOSTUNREACH",
    "EHOSTDOWN",
    "ENETUNREACH",
    "ENETDOWN",
    "EMSGSIZE",
    "EACCES",
    "EPROTO",
    "ENOPROTOOPT",
    "EOPNOTSUPP",
    "ENONET",
    "ENOBUFS",
    "ENOMEM",
)
"""What receiving may report about earlier packets (Linux's table of ICMP errors), or a want of memory."""

Address = tuple[str, int] | tuple[str, int, int, int]
Ancillary = Iterable[tuple[int, int, bytes]]


class Datagram(NamedTuple):
    """One received datagram; a tuple, since it is made for every packet of a flood.

    at_ns: wall-clock receive time; `kernel` says whether the kernel took it.
    ttl, tos: of the IP header (hop limit and traffic class in IPv6); None unless asked for and told.
    local: the packet-info ancillary data to send back from the address that was asked; None unless asked for.
    """

    data: bytes
    source: Address
    at_ns: UtcNs
    kernel: bool
    ttl: int | None
    tos: int | None
    local: bytes | None


class SendStamp(NamedTuple):
    """The kernel's wall-clock time of one sent packet; `token` is what `send` returned for it."""

    token: int
    scheduled: bool
    """True: as it entered the queueing discipline. False: as the driver took it."""
    at_ns: UtcNs


class StampedSocket:
    """A non-blocking datagram socket with kernel stamps, UDP or ICMP.

    Owns the socket it is given. Errors of the operating system come through as OSError: the prober knows
    whether one means "not sent" or "refused".
    """

    def __init__(
        self,
        sock: socket.socket,
        clock: Clock,
        *,
        kernel_stamps: bool = True,
        want_header: bool = False,
        want_local: bool = False,
    ) -> None:
        self.socket = sock
        sock.setblocking(False)
        self._clock = clock
        self._v6 = sock.family == socket.AF_INET6
        self._next = 0
        self._since_reset = 0
        self._awaited = 0
        """Packets whose driver's stamp has not come yet, as far as is known."""
        self._early: list[SendStamp] = []
        self._stamping = False
        self._option = self._enable() if kernel_stamps and HERE.kernel_stamps else None
        self.stamp_sends(True)
        self._timespec = _TIMESPEC_NATIVE if self._option == SO_TIMESTAMPING_OLD else _TIMESPEC_64
        self.want_local = want_local
        self._want(header=want_header, local=want_local)

    @property
    def kernel_stamps(self) -> bool:
        """True when the kernel agreed to stamp; each datagram still says whether it did."""
        return self._option is not None

    @property
    def option(self) -> int | None:
        """The socket option that stamps, which is also the kind of its ancillary data; None for none."""
        return self._option

    def fileno(self) -> int:
        """The descriptor, for the event loop."""
        return self.socket.fileno()

    def close(self) -> None:
        """Close the socket."""
        self.socket.close()

    def _enable(self) -> int | None:
        for option in (SO_TIMESTAMPING_NEW, SO_TIMESTAMPING_OLD):
            try:
                self._set_flags(option)
            except OSError:
                continue
            return option
        return None

    def _want(self, *, header: bool, local: bool) -> None:
        if not HERE.packet_header:
            return  # the numbers are Linux': elsewhere each datagram says that it does not know
        level = socket.IPPROTO_IPV6 if self._v6 else socket.IPPROTO_IP
        options = []
        if header:
            options += [IPV6_RECVHOPLIMIT, IPV6_RECVTCLASS] if self._v6 else [IP_RECVTTL, IP_RECVTOS]
        if local:
            options.append(IPV6_RECVPKTINFO if self._v6 else IP_PKTINFO)
        for option in options:
            self.socket.setsockopt(level, option, 1)

    def stamp_sends(self, on: bool) -> None:
        """Ask for send stamps from now on, or stop: they cost a flooded reflector two fifths of its rate."""
        if self._option is not None and on != self._stamping:
            self._stamping = on
            self._set_flags(self._option)

    def _set_flags(self, option: int, without: int = 0) -> None:
        flags = (_SOCKET_FLAGS | _TX_FLAGS if self._stamping else _SOCKET_FLAGS) & ~without
        self.socket.setsockopt(socket.SOL_SOCKET, option, struct.pack("=I", flags))

    def send(
        self,
        data: bytes | memoryview,
        address: Address,
        extra: Sequence[tuple[int, int, bytes]] = (),
    ) -> int | None:
        """Send one datagram; the token under which its send stamps will come, or None when none will.

        Raises OSError when it was not sent; later packets keep their right tokens all the same.
        """
        try:
            if extra:
                self.socket.sendmsg((data,), extra, 0, address)
            else:
                self.socket.sendto(data, address)
        except OSError:
            if self._option is not None:
                self._reset_numbering(self._option)
            raise
        if not self._stamping:
            return None
        token = self._next
        self._next += 1
        self._awaited += 1
        self._since_reset = (self._since_reset + 1) & 0xFFFFFFFF
        return token

    def _reset_numbering(self, option: int) -> None:
        # Kernels differ in whether a send that failed half-way used up a number, so numbering starts again
        # from 0: the kernel does that when OPT_ID is switched on anew. Stamps that wait still carry the old
        # numbers: take them now.
        self._early += self._send_stamps(whole=True)
        self._set_flags(option, without=OPT_ID)
        self._set_flags(option)
        self._since_reset = self._awaited = 0

    def receive(self, limit: int = BATCH) -> list[Datagram]:
        """The datagrams that wait, at most `limit`.

        Call `send_stamps` after this and use its stamps first: a packet's send stamps are queued before its
        answer can arrive, so both ends of every round trip are then at hand.
        """
        out: list[Datagram] = []
        if not HERE.ancillary:
            return self._receive_plainly(limit)
        receive = self.socket.recvmsg
        try:
            for _ in range(limit):
                data, ancillary, _flags, source = receive(_DATAGRAM_BYTES, _ANCILLARY_BYTES)
                out.append(self._datagram(data, ancillary, source))
        except BlockingIOError:
            pass
        except OSError as err:
            # An ICMP error about an earlier packet (RFC 1122 4.1.3.3) says nothing about what is queued.
            if err.errno not in _SOFT:
                raise
        return out

    def _receive_plainly(self, limit: int) -> list[Datagram]:
        """The same where a socket has no recvmsg (Windows)."""
        out: list[Datagram] = []
        try:
            for _ in range(limit):
                data, source = self.socket.recvfrom(_DATAGRAM_BYTES)
                out.append(self._datagram(data, (), source))
        except BlockingIOError:
            pass
        except OSError as err:
            if err.errno not in _SOFT:
                raise
        return out

    def drain(self, limit: int = BATCH) -> tuple[list[SendStamp], list[Datagram]]:
        """`send_stamps` and `receive` in their right order, the stamps to be used first."""
        datagrams = self.receive(limit)
        return self.send_stamps(), datagrams

    def send_stamps(self, *, sure: bool = True) -> list[SendStamp]:
        """The send stamps that wait.

        The scheduling stamp is there as soon as `send` returns, and taking it then saves the loop a wake-up.
        sure: False saves the system call where no packet's stamp is awaited.
        """
        if not (sure or self._awaited or self._early):
            return []
        stamps = [*self._early, *self._send_stamps()]
        self._early.clear()
        return stamps

    def _datagram(self, data: bytes, ancillary: Ancillary, source: Address) -> Datagram:
        at_ns, kernel, ttl, tos, local = 0, False, None, None, None
        for level, kind, value in ancillary:
            if level == socket.SOL_SOCKET:
                if kind == self._option:
                    seconds, nanos = self._timespec.unpack_from(value)
                    at_ns = seconds * NS_PER_S + nanos
                    kernel = at_ns > 0
            elif level == socket.IPPROTO_IP:
                if kind == IP_TTL:
                    ttl = _INT.unpack_from(value)[0]
                elif kind == IP_TOS:
                    tos = value[0]
                elif kind == IP_PKTINFO:
                    # Keep the address that was asked, but let routing choose the way back.
                    local = bytes(4) + value[4:8] + bytes(4)
            elif level == socket.IPPROTO_IPV6:
                if kind == IPV6_HOPLIMIT:
                    ttl = _INT.unpack_from(value)[0]
                elif kind == IPV6_TCLASS:
                    tos = _INT.unpack_from(value)[0]
                elif kind == IPV6_PKTINFO:
                    local = value[:16] + bytes(4)
        if not kernel:
            at_ns = self._clock.utc_ns()
        return Datagram(data, source, UtcNs(at_ns), kernel, ttl, tos, local)

    def local_ancillary(self, local: bytes) -> tuple[int, int, bytes]:
        """What to hand to `send` as `extra`, so that an answer leaves from the address that was asked."""
        if self._v6:
            return (socket.IPPROTO_IPV6, IPV6_PKTINFO, local)
        return (socket.IPPROTO_IP, IP_PKTINFO, local)

    def _send_stamps(self, *, whole: bool = False) -> list[SendStamp]:
        out: list[SendStamp] = []
        if self._option is None:
            return out
        try:
            while True:
                _data, ancillary, _flags, _source = self.socket.recvmsg(0, _ANCILLARY_BYTES, HERE.error_queue)
                stamp = self._send_stamp(ancillary)
                if stamp is None:
                    continue
                out.append(stamp)
                if not stamp.scheduled:
                    self._awaited -= 1
                    if stamp.token == self._next - 1 and not whole:
                        break  # the driver's stamp of the newest packet: nothing comes after it
        except BlockingIOError:
            self._awaited = max(0, self._awaited)
        return out

    def _send_stamp(self, ancillary: Ancillary) -> SendStamp | None:
        at_ns = 0
        told: tuple[int, ...] | None = None
        for level, kind, value in ancillary:
            if level == socket.SOL_SOCKET and kind == self._option:
                seconds, nanos = self._timespec.unpack_from(value)
                at_ns = seconds * NS_PER_S + nanos
            elif (level, kind) in ((socket.IPPROTO_IP, IP_RECVERR), (socket.IPPROTO_IPV6, IPV6_RECVERR)):
                told = _EXTENDED_ERROR.unpack_from(value)
        if told is None or not at_ns:
            return None
        code, origin, info, number = told[0], told[1], told[5], told[6]
        if code != errno.ENOMSG or origin != ORIGIN_TIMESTAMPING or info not in (TSTAMP_SND, TSTAMP_SCHED):
            return None
        behind = (self._since_reset - number) & 0xFFFFFFFF
        return SendStamp(self._next - behind, info == TSTAMP_SCHED, UtcNs(at_ns))


def _is_link_local(address: str) -> bool:
    return ip_address(address).is_link_local


def numeric_address(address: str, port: int) -> tuple[socket.AddressFamily, Address]:
    """The family and socket address of a numeric address, zone after % kept; no name is looked up.

    A link-local address without a zone is meant on the link to the router.

    Raises OSError (gaierror) when it is not numeric.
    """
    # Octets, since a str would pass through the IDNA codec, which is for names.
    info = socket.getaddrinfo(
        address.encode("ascii", "replace"), port, type=socket.SOCK_DGRAM, flags=socket.AI_NUMERICHOST
    )
    family, _type, _proto, _name, found = info[0]
    where = cast("Address", found)
    if family == socket.AF_INET6 and len(where) == 4 and where[3] == 0 and _is_link_local(str(where[0])):
        where = (where[0], where[1], 0, link_of_default())
    return family, where
