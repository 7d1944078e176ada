"""TCP connections opened only to see how soon the other end answers, with the kernel's own round trip."""

import errno
import os
import select
import socket
import struct

from msgspec import Struct

from whichhop.net.stamped import Address
from whichhop.net.system import HERE, Name, error_numbers

# linux/tcp.h, struct tcp_info: 8 octets of flags, then words of 32 bits.
_TCP_INFO_OCTETS = 104
_RTT_US_AT = 68
_RETRANSMITS_AT = 100
_WORD = struct.Struct("=I")
_WINDOWS_WOULD_BLOCK = 10035
"""WSAEWOULDBLOCK, which is what Windows says of a handshake that has begun."""
_REACHED = {0, errno.ECONNREFUSED}
_UNREACHABLE = error_numbers("EHOSTUNREACH", "ENETUNREACH", "EHOSTDOWN")


class Handshake(Struct, frozen=True, kw_only=True):
    """How one attempt ended.

    reached: the target answered, by accepting or by refusing. unreachable: an ICMP error or a missing
    neighbour ended it. repeated: the first packet, or its answer, was lost and sent again.
    rtt_ns: the kernel's round trip of the handshake to a microsecond; None when it has none: refused, or
    repeated (Karn's rule, RFC 6298 section 3).
    """

    reached: bool
    unreachable: bool
    repeated: bool
    rtt_ns: int | None


def begin(family: socket.AddressFamily, where: Address) -> socket.socket:
    """Send the first packet of a handshake; the socket turns writable when it ends.

    Raises OSError when the system did not send it.
    """
    sock = socket.socket(family, socket.SOCK_STREAM)
    sock.setblocking(False)
    code = sock.connect_ex(where)
    if code not in (0, errno.EINPROGRESS, errno.EWOULDBLOCK, _WINDOWS_WOULD_BLOCK):
        sock.close()
        raise OSError(code, os.strerror(code))
    return sock


def has_ended(sock: socket.socket) -> bool:
    """True when the handshake has ended, one way or the other; never waits."""
    if not HERE.poll:
        _, writable, failed = select.select([], [sock], [sock], 0)
        return bool(writable or failed)
    poll = select.poll()
    poll.register(sock, select.POLLOUT)
    return bool(poll.poll(0))


def end(sock: socket.socket) -> Handshake:
    """How an ended handshake ended."""
    code = sock.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
    # The layout is Linux'; elsewhere the handshake is timed by whoever waits for it.
    linux = HERE.name is Name.LINUX
    info = sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, _TCP_INFO_OCTETS) if linux else b""
    whole = len(info) >= _TCP_INFO_OCTETS
    rtt_us = _WORD.unpack_from(info, _RTT_US_AT)[0] if whole else 0
    repeated = bool(whole and _WORD.unpack_from(info, _RETRANSMITS_AT)[0])
    return Handshake(
        reached=code in _REACHED,
        unreachable=code in _UNREACHABLE,
        repeated=repeated,
        rtt_ns=rtt_us * 1000 if code == 0 and rtt_us and not repeated else None,
    )
