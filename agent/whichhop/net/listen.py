"""Listening TCP sockets, with one clear line when the system refuses one."""

import errno
import socket

from whichhop.errors import SystemRefusedError
from whichhop.net.authority import authority


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
        return f"{where}: this machine has no such address; correct the node's address in the home file"
    if refused.errno in (errno.EACCES, errno.EPERM):
        return f"{where}: listening is not allowed; set {setting} to 1024 or above, or grant the right"
    return f"{where}: cannot listen ({refused.strerror or refused}); check the address and {setting}"
