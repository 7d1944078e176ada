"""An ICMP socket whose packets no router may cut: messages as they come, and reports of packets too big."""

import errno
import os
import socket
import struct

from msgspec import Struct

from whichhop.errors import SystemRefusedError
from whichhop.net.stamped import Address

# linux/in.h, linux/in6.h. PROBE sets don't-fragment and forgets what earlier reports said (RFC 8899 4.1).
_IP_MTU_DISCOVER, _IP_RECVERR, _IP_MTU = 10, 11, 14
_IPV6_MTU_DISCOVER, _IPV6_RECVERR, _IPV6_MTU = 23, 25, 24
_PMTUDISC_PROBE = 3
# linux/errqueue.h, struct sock_extended_err; the origin says who made the error.
_EXTENDED_ERROR = struct.Struct("=IBBBBII")
_FROM_ICMP = {2, 3}
_OCTETS = 65_535


class TooBig(Struct, frozen=True, kw_only=True):
    """A router's report: our own message from its ICMP header on, and the MTU that it names, 0 for none."""

    message: bytes
    mtu: int


class SizedEchoSocket:
    """One non-blocking ICMP socket to one target, don't-fragment set.

    raw: True when messages begin with an IPv4 header, as on a raw socket. ident: the identifier our requests
    must carry; the kernel's own on a datagram socket.
    """

    def __init__(self, family: socket.AddressFamily, where: Address, ident: int) -> None:
        """Open it; SystemRefusedError with the remedy when neither kind of socket is allowed.

        OSError when there is no way to the target.
        """
        v4 = family == socket.AF_INET
        self._level = socket.IPPROTO_IP if v4 else socket.IPPROTO_IPV6
        self._errors, self._mtu = (_IP_RECVERR, _IP_MTU) if v4 else (_IPV6_RECVERR, _IPV6_MTU)
        self._socket, privileged = _open(family)
        try:
            discover = _IP_MTU_DISCOVER if v4 else _IPV6_MTU_DISCOVER
            self._socket.setsockopt(self._level, discover, _PMTUDISC_PROBE)
            self._socket.setsockopt(self._level, self._errors, 1)
            self._socket.connect(where)
        except OSError:
            self._socket.close()
            raise
        self.raw = privileged and v4
        self.ident = ident if privileged else int(self._socket.getsockname()[1])

    def fileno(self) -> int:
        """The descriptor, for the event loop."""
        return self._socket.fileno()

    def close(self) -> None:
        """Close the socket."""
        self._socket.close()

    def send(self, message: bytes) -> int | None:
        """Send one ICMP message; None when it went out, else this machine's own MTU, which it exceeds.

        Raises OSError when it was not sent for another reason.
        """
        try:
            self._socket.send(message)
        except OSError as err:
            if err.errno != errno.EMSGSIZE:
                raise
            return int(self._socket.getsockopt(self._level, self._mtu))
        return None

    def messages(self) -> list[bytes]:
        """The messages that wait."""
        out: list[bytes] = []
        while True:
            try:
                out.append(self._socket.recv(_OCTETS))
            except BlockingIOError:
                return out
            except OSError:
                continue  # an error is told here once; the queue below has its detail

    def reports(self) -> list[TooBig]:
        """The reports that wait."""
        out: list[TooBig] = []
        flags = socket.MSG_ERRQUEUE | socket.MSG_DONTWAIT
        while True:
            try:
                message, ancillary, _, _ = self._socket.recvmsg(_OCTETS, 512, flags)
            except BlockingIOError:
                return out
            for level, kind, value in ancillary:
                if (level, kind) == (self._level, self._errors):
                    code, origin, _, _, _, mtu, _ = _EXTENDED_ERROR.unpack_from(value)
                    if code == errno.EMSGSIZE and origin in _FROM_ICMP:
                        out.append(TooBig(message=message, mtu=mtu))


def _open(family: socket.AddressFamily) -> tuple[socket.socket, bool]:
    """A datagram socket when the system allows one, else a raw one, and which of the two it is."""
    protocol = socket.IPPROTO_ICMP if family == socket.AF_INET else socket.IPPROTO_ICMPV6
    for kind in (socket.SOCK_DGRAM, socket.SOCK_RAW):
        try:
            return socket.socket(family, kind | socket.SOCK_NONBLOCK, protocol), kind == socket.SOCK_RAW
        except PermissionError:
            continue
        except OSError as err:
            raise SystemRefusedError(
                f"no ICMP socket for {family.name}: {os.strerror(err.errno or 0)}; is that family off here?"
            ) from err
    raise SystemRefusedError(
        "the path MTU check needs an ICMP socket and the system refused both kinds; allow this group with "
        "`sysctl net.ipv4.ping_group_range='0 2147483647'` or grant the program CAP_NET_RAW"
    )
