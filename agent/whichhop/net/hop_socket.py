"""A UDP socket that sends with a hop limit and hears which router ended it, without any privilege (Linux).

The kernel puts the ICMP errors about a socket's own packets into that socket's error queue when asked to
(IP_RECVERR, ip(7); IPV6_RECVERR, ipv6(7)), so no raw socket is needed.
"""

import select
import socket
import struct
from ipaddress import ip_address

from msgspec import Struct

from whichhop.net.system import HERE

_RECVERR = {socket.AF_INET: (socket.IPPROTO_IP, 11), socket.AF_INET6: (socket.IPPROTO_IPV6, 25)}
"""Level and option of linux/in.h and linux/in6.h, which Python's socket module does not name."""
_ORIGIN_ICMP = (2, 3)
"""SO_EE_ORIGIN_ICMP and SO_EE_ORIGIN_ICMP6 (linux/errqueue.h)."""
_EXCEEDED = {socket.AF_INET: 11, socket.AF_INET6: 3}
_UNREACHABLE = {socket.AF_INET: 3, socket.AF_INET6: 1}
_FIXED = struct.Struct("=IBBBBII")
"""struct sock_extended_err: errno, origin, type, code, padding, info, data."""


class HopError(Struct, frozen=True, kw_only=True):
    """What a router or the target said of a packet. payload: as much of it as was quoted."""

    address: str
    unreachable: bool
    payload: bytes


class HopSocket:
    """Sends to one numeric address and port from one source port; OSError when the system refuses."""

    def __init__(self, target: str, source_port: int, port: int) -> None:
        if not HERE.error_queue:
            raise PermissionError("this system tells no program without privilege which router answered")
        self._family = socket.AF_INET6 if ip_address(target).version == 6 else socket.AF_INET
        self._to = (target, port)
        self._socket = socket.socket(self._family, socket.SOCK_DGRAM)
        try:
            self._socket.setsockopt(*_RECVERR[self._family], 1)
            self._socket.bind(("::" if self._family == socket.AF_INET6 else "", source_port))
            with socket.socket(self._family, socket.SOCK_DGRAM) as asking:
                asking.connect(self._to)  # OSError without a way there
            self._socket.setblocking(False)
        except OSError:
            self._socket.close()
            raise
        self._poll = select.poll()
        self._poll.register(self._socket, 0)  # errors wake a poll without being asked for

    def close(self) -> None:
        """Give the socket back."""
        self._socket.close()

    def send(self, hop_limit: int, payload: bytes) -> None:
        """Send one packet; an error that waits for the socket is taken and sending tried once more."""
        v6 = self._family == socket.AF_INET6
        option = (socket.IPPROTO_IPV6, socket.IPV6_UNICAST_HOPS) if v6 else (socket.IPPROTO_IP, socket.IP_TTL)
        self._socket.setsockopt(*option, hop_limit)
        try:
            self._socket.sendto(payload, self._to)
        except OSError:
            self._socket.sendto(payload, self._to)

    def error(self, wait_s: float) -> HopError | None:
        """The next error about a packet of ours; None when none comes in time."""
        if not self._poll.poll(wait_s * 1000):
            return None
        try:
            payload, notes, _, _ = self._socket.recvmsg(512, 512, socket.MSG_ERRQUEUE)
        except OSError:
            return None
        for level, kind, note in notes:
            if (level, kind) == _RECVERR[self._family]:
                return self._read(note, payload)
        return None

    def _read(self, note: bytes, payload: bytes) -> HopError | None:
        octets = 4 if self._family == socket.AF_INET else 16
        start = _FIXED.size + (4 if octets == 4 else 8)  # family and port, in IPv6 the flow too
        if len(note) < start + octets:
            return None
        _, origin, kind, _, _, _, _ = _FIXED.unpack_from(note)
        exceeded, unreachable = kind == _EXCEEDED[self._family], kind == _UNREACHABLE[self._family]
        if origin not in _ORIGIN_ICMP or not (exceeded or unreachable):
            return None
        address = str(ip_address(note[start : start + octets]))
        return HopError(address=address, unreachable=unreachable, payload=payload)
