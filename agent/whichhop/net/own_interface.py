"""Which interface of this machine has an address: for its negotiated speed and its counters."""

import ipaddress
import socket
import struct
from pathlib import Path

from whichhop.net.system import HERE

_SIOCGIFADDR = 0x8915
"""linux/sockios.h: the first IPv4 address of an interface."""
_NAME_OCTETS = 16
_IF_INET6 = Path("/proc/net/if_inet6")


def _first_ipv4(asking: socket.socket, name: str) -> bytes | None:
    """The 4 octets of an interface's first IPv4 address; None where it has none."""
    import fcntl  # noqa: PLC0415 # not on every system; only asked for where HERE.tables

    request = struct.pack(f"{_NAME_OCTETS}s16x", name.encode()[: _NAME_OCTETS - 1])
    try:
        return bytes(fcntl.ioctl(asking.fileno(), _SIOCGIFADDR, request)[20:24])
    except OSError:
        return None


def interface_of(address: str) -> str | None:
    """The interface's name; None when no interface has the address (IPv4: as its first)."""
    wanted = ipaddress.ip_address(address)
    if not HERE.tables:
        return None
    if wanted.version == 6:
        return _by_ipv6(wanted.packed.hex())
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        for _, name in socket.if_nameindex():
            if _first_ipv4(asking, name) == wanted.packed:
                return name
    return None


def own_addresses() -> dict[str, str]:
    """Each interface's first IPv4 address, by the interface's name; the loopback's is left out."""
    found: dict[str, str] = {}
    if not HERE.tables:
        return found
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        for _, name in socket.if_nameindex():
            octets = _first_ipv4(asking, name)
            address = None if octets is None else ipaddress.IPv4Address(octets)
            if address is not None and not address.is_loopback:
                found[name] = str(address)
    return found


def interface_toward(address: str) -> str | None:
    """The interface by which packets to an address leave, as the kernel routes them; nothing is sent."""
    family = socket.AF_INET6 if ipaddress.ip_address(address).version == 6 else socket.AF_INET
    with socket.socket(family, socket.SOCK_DGRAM) as asking:
        try:
            asking.connect((address, 9))
            return interface_of(asking.getsockname()[0])
        except OSError:
            return None  # no way there


def _by_ipv6(digits: str) -> str | None:
    """Columns of /proc/net/if_inet6: address, index, prefix, scope, flags, name."""
    try:
        lines = _IF_INET6.read_text(encoding="ascii").splitlines()
    except OSError:
        return None
    return next((line.split()[5] for line in lines if line.split()[0] == digits), None)
