"""UDP sockets with kernel stamps, IPv4 and IPv6."""

import errno
import socket

from whichhop.errors import SystemRefusedError
from whichhop.net.clock import Clock
from whichhop.net.stamped import StampedSocket, numeric_address

_RECEIVE_BUFFER_BYTES = 1 << 20
"""Room for a second or so of a busy reflector while this process does not get the processor."""


def open_udp(
    bind: str,
    port: int,
    clock: Clock,
    *,
    kernel_stamps: bool = True,
    want_header: bool = False,
    want_local: bool = False,
) -> StampedSocket:
    """A UDP socket bound to a numeric address; port 0 lets the system choose.

    Raises SystemRefusedError when the port is taken or privileged or the address is not this machine's.
    """
    try:
        family, where = numeric_address(bind, port)
    except OSError as err:
        raise SystemRefusedError(
            f"UDP address {bind!r} is not a numeric address; write one such as 192.0.2.20"
        ) from err
    try:
        sock = socket.socket(family, socket.SOCK_DGRAM)
    except OSError as err:
        raise SystemRefusedError(
            f"no UDP socket for {bind}: {err.strerror}; is IPv6 switched off here?"
        ) from err
    try:
        if family == socket.AF_INET6:
            sock.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _RECEIVE_BUFFER_BYTES)
        sock.bind(where)
        return StampedSocket(
            sock, clock, kernel_stamps=kernel_stamps, want_header=want_header, want_local=want_local
        )
    except OSError as err:
        sock.close()
        raise _refused(err, bind, port) from err


def _refused(err: OSError, bind: str, port: int) -> SystemRefusedError:
    where = f"UDP port {port} on {bind}"
    if err.errno == errno.EADDRINUSE:
        return SystemRefusedError(
            f"{where} is taken by another program; stop it, or set another `ports` value in the home file"
        )
    if err.errno == errno.EACCES:
        return SystemRefusedError(
            f"{where} needs CAP_NET_BIND_SERVICE; grant it, or set `ports` above 1023 in the home file"
        )
    if err.errno == errno.EADDRNOTAVAIL:
        return SystemRefusedError(
            f"{where} is of no use: no interface has that address; correct the node's in the home file"
        )
    return SystemRefusedError(
        f"{where} was refused: {err.strerror}; check the node's address and its firewall"
    )
