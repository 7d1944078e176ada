"""Listening TCP sockets, and who may stay connected to one: so many in all, so many from one address.

A connection that has shown nothing yet costs a stranger nothing, so it is what makes room: the oldest such
connection goes, of whichever address holds most. Nobody can so keep the others out by holding places.
"""

import errno
import socket
from collections.abc import Hashable
from typing import Generic, TypeVar

from whichhop.errors import SystemRefusedError

C = TypeVar("C", bound=Hashable)


def authority(address: str, port: int) -> str:
    """`192.0.2.1:9862` or `[2001:db8::1]:9862`."""
    return f"[{address}]:{port}" if ":" in address else f"{address}:{port}"


def host_and_port(text: str, default: int) -> tuple[str, int]:
    """What `authority` writes, or a bare host or address with the default port; ValueError otherwise."""
    if text.startswith("["):
        host, closing, rest = text[1:].partition("]")
        port = rest.removeprefix(":")
        whole = closing and (rest == "" or rest.startswith(":"))
    elif text.count(":") > 1:
        host, port, whole = text, "", True
    else:
        host, colon, port = text.partition(":")
        whole = not colon or port != ""
    if (
        not host
        or not whole
        or not (port == "" or (port.isascii() and port.isdigit() and 0 < int(port) < 65536))
    ):
        raise ValueError(text)
    return host, int(port) if port else default


def listening_socket(host: str, port: int, *, setting: str) -> socket.socket:
    """A socket that listens on an address of this machine; port 0 takes any free one.

    setting: the home file's key to change, for the remedy.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    sock = socket.socket(family, socket.SOCK_STREAM)
    try:
        # A port of a daemon that just ended is free at once; one that is in use stays refused.
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if family == socket.AF_INET6:
            sock.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        sock.bind((host, port))
        sock.listen(64)
        sock.setblocking(False)
    except OSError as refused:
        sock.close()
        raise SystemRefusedError(_why(host, port, setting, refused)) from refused
    return sock


def _why(host: str, port: int, setting: str, refused: OSError) -> str:
    where = authority(host, port)
    if refused.errno == errno.EADDRINUSE:
        return f"{where}: the port is taken by another program; stop that one or change {setting}"
    if refused.errno == errno.EADDRNOTAVAIL:
        asked = setting.startswith("--")  # by hand, and not by the home file
        remedy = (
            "give one of its own with --address" if asked else "correct the node's address in the home file"
        )
        return f"{where}: this machine has no such address; {remedy}"
    if refused.errno in (errno.EACCES, errno.EPERM):
        return f"{where}: listening is not allowed; set {setting} to 1024 or above, or grant the right"
    return f"{where}: cannot listen ({refused.strerror or refused}); check the address and {setting}"


class Places(Generic[C]):
    """Book of the connections of one port. A connection is at work while it has shown what it came for."""

    def __init__(self, most: int, most_each: int) -> None:
        """most: in all. most_each: of one address, from its first connection on."""
        self._most, self._most_each = most, most_each
        self._address: dict[C, str] = {}  # in the order they came
        self._held: dict[str, int] = {}
        self._at_work: set[C] = set()
        self.refused = 0
        """Connections that were closed to make room, or had none."""

    def __len__(self) -> int:
        return len(self._address)

    def enter(self, connection: C, address: str) -> C | None:
        """One more connection; which one is to be closed for it, perhaps itself. None: there is room."""
        out: C | None = None
        if self._held.get(address, 0) >= self._most_each:
            out = self._idle_of(connection, address)
        elif len(self._address) >= self._most:
            busiest = max(self._held, key=lambda a: self._held[a])
            out = self._idle_of(connection, busiest, None)
        if out is not None:
            self.refused += 1
            self.leave(out)
        if out is not connection:
            self._address[connection] = address
            self._held[address] = self._held.get(address, 0) + 1
        return out

    def _idle_of(self, newcomer: C, *addresses: str | None) -> C:
        """The oldest that is not at work, of the first address with one; None: any. Else the newcomer."""
        for address in addresses:
            for connection, its in self._address.items():
                if address in (its, None) and connection not in self._at_work:
                    return connection
        return newcomer

    def at_work(self, connection: C, *, is_so: bool) -> None:
        """Whether a connection is at work now, and not to be closed for another's sake."""
        if not is_so:
            self._at_work.discard(connection)
        elif connection in self._address:
            self._at_work.add(connection)

    def leave(self, connection: C) -> None:
        """A connection is gone, or will be at once; also one that was never let in."""
        address = self._address.pop(connection, None)
        self._at_work.discard(connection)
        if address is not None:
            self._held[address] -= 1
            if not self._held[address]:
                del self._held[address]
