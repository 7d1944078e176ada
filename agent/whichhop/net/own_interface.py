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
_IPV6_ROUTE = Path("/proc/net/ipv6_route")
_GLOBAL = 0x00
"""Scope of an address that is good beyond its link (RFC 4007; unique local ones too), as if_inet6 has it."""
_NOT_YET, _NO_MORE, _FOR_NOW = 0x40, 0x20, 0x01
"""linux/if_addr.h: tentative, deprecated, temporary (RFC 8981)."""
_UP_AND_GATEWAY = 0x3
"""RTF_UP and RTF_GATEWAY of linux/route.h."""


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


def own_addresses() -> dict[str, tuple[str, ...]]:
    """Each interface's first IPv4 address and its lasting IPv6 ones, by the interface's name.

    The loopback's are left out, and IPv6 addresses that are good on their link only.
    """
    found: dict[str, tuple[str, ...]] = {}
    if not HERE.tables:
        return found
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        for _, name in socket.if_nameindex():
            octets = _first_ipv4(asking, name)
            address = None if octets is None else ipaddress.IPv4Address(octets)
            if address is not None and not address.is_loopback:
                found[name] = (str(address),)
    for digits, _, _, scope, flags, name in _ipv6_rows():
        sixth = ipaddress.IPv6Address(bytes.fromhex(digits))
        lasting = not int(flags, 16) & (_NOT_YET | _NO_MORE | _FOR_NOW)
        if int(scope, 16) == _GLOBAL and lasting and not sixth.is_loopback:
            found[name] = (*found.get(name, ()), str(sixth))
    return found


def ipv6_gateways() -> list[tuple[int, str, str]]:
    """Metric, address and interface of each IPv6 default route, the least metric first."""
    return sorted(gateways_of(_lines(_IPV6_ROUTE)))


def gateways_of(lines: list[str]) -> list[tuple[int, str, str]]:
    """The same of the table's lines: destination, its length, source, its length, next hop, metric, two
    counts, flags, interface."""
    found = []
    for row in (line.split() for line in lines):
        if len(row) < 10 or set(row[0]) != {"0"} or row[1] != "00" or set(row[4]) == {"0"}:
            continue
        try:
            gateway, metric = ipaddress.IPv6Address(bytes.fromhex(row[4])), int(row[5], 16)
            flags = int(row[8], 16)
        except ValueError:
            continue
        if flags & _UP_AND_GATEWAY == _UP_AND_GATEWAY:
            found.append((metric, str(gateway), row[9]))
    return found


def link_of_default() -> int:
    """The index of the interface that leads to the IPv6 router, which a link-local address is meant on where
    nobody says more; else that of the only other one; 0 where that is not clear."""
    if not HERE.tables:
        return 0
    names = [name for _, _, name in ipv6_gateways()[:1]]
    names = names or sorted({row[5] for row in _ipv6_rows() if row[5] != "lo"})
    try:
        return socket.if_nametoindex(names[0]) if len(names) == 1 else 0
    except OSError:
        return 0  # gone since


def interface_toward(address: str) -> str | None:
    """The interface by which packets to an address leave, as the kernel routes them; nothing is sent."""
    there = ipaddress.ip_address(address)
    if there.version == 6 and there.is_link_local:
        return next((name for index, name in socket.if_nameindex() if index == link_of_default()), None)
    family = socket.AF_INET6 if there.version == 6 else socket.AF_INET
    with socket.socket(family, socket.SOCK_DGRAM) as asking:
        try:
            asking.connect((address, 9))
            return interface_of(asking.getsockname()[0])
        except OSError:
            return None  # no way there


def _by_ipv6(digits: str) -> str | None:
    return next((row[5] for row in _ipv6_rows() if row[0] == digits), None)


def _ipv6_rows() -> list[list[str]]:
    """Columns of /proc/net/if_inet6: address, index, prefix, scope, flags, name."""
    return [row for line in _lines(_IF_INET6) if len(row := line.split()) == 6]


def _lines(path: Path) -> list[str]:
    try:
        return path.read_text(encoding="ascii", errors="replace").splitlines()
    except OSError:
        return []
