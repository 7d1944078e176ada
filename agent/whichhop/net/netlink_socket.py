"""Asks the kernel over netlink and hands back the octets of its answer, whatever family it is of."""

import socket
from collections.abc import Iterable

from whichhop.errors import RemoteError, SystemRefusedError

ROUTE, GENERIC = 0, 16
"""NETLINK_ROUTE, NETLINK_GENERIC (linux/netlink.h)."""
PATIENCE_S = 5.0
"""A driver may ask its radio's firmware, which takes tenths of a second; what takes longer hangs."""
_ROOM = 1 << 17
"""Octets of one read: the kernel fills at most 32 KiB, as far as the reader has room for them."""
MOST_READS = 1_000


class NetlinkSocket:
    """One protocol's socket; may block for `PATIENCE_S`, so it is used in a thread. A context manager."""

    def __init__(self, protocol: int) -> None:
        """SystemRefusedError where there is no netlink."""
        try:
            self._sock = socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, protocol)
        except (AttributeError, OSError) as trouble:
            raise SystemRefusedError(f"netlink: no socket ({trouble})") from None
        self._sock.settimeout(PATIENCE_S)

    def __enter__(self) -> "NetlinkSocket":
        return self

    def __exit__(self, *_: object) -> None:
        self._sock.close()

    def ask(self, request: bytes) -> Iterable[bytes]:
        """The kernel's answer, a read at a time; the caller stops where it has read the answer's end.

        RemoteError: no end came in time, or it did not stop.
        """
        try:
            self._sock.send(request)
            for _ in range(MOST_READS):
                octets, _, flags, _ = self._sock.recvmsg(_ROOM)
                if flags & socket.MSG_TRUNC:
                    raise RemoteError(f"netlink: an answer of more than {_ROOM} octets at once")
                yield octets
        except TimeoutError:
            raise RemoteError(f"netlink: no answer within {PATIENCE_S:g} s") from None
        except OSError as trouble:
            raise RemoteError(f"netlink: {trouble.strerror or trouble}") from None
        raise RemoteError(f"netlink: an answer without end ({MOST_READS} reads)")
