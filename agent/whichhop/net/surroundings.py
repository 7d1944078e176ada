"""Where this machine stands in its home network: its name, its way out, and how it is joined to it.

Nothing is sent. What one system does not tell in this way is asked of the user.
"""

import ipaddress
import socket
from collections.abc import Callable
from pathlib import Path

from msgspec import Struct

from whichhop.errors import RemoteError, SystemRefusedError
from whichhop.net.host import Host
from whichhop.net.own_interface import gateways_of, interface_toward, own_addresses

_UP_AND_GATEWAY = 0x3
"""RTF_UP and RTF_GATEWAY of linux/route.h."""
_ANYWHERE = "2001:db8::1"
"""RFC 3849: an IPv6 address that is no machine's, to learn which source the kernel takes for the way out."""
BY_HAND = "name the router with --gateway ADDRESS"


class Surroundings(Struct, frozen=True, kw_only=True):
    """name: the machine's own, as the system has it. address: of the interface toward the gateway. radio:
    whether that interface is a radio; None where the system does not tell."""

    name: str
    address: str
    interface: str | None
    radio: bool | None
    gateway: str


def default_gateway(root: Path = Path("/")) -> str | None:
    """The IPv4 default route's gateway, else the IPv6 one's; None without either. Linux' /proc/net."""
    return _by_ipv4(root) or _by_ipv6(root)


def _rows(path: Path) -> list[list[str]]:
    try:
        return [line.split() for line in path.read_text(encoding="ascii", errors="replace").splitlines()]
    except OSError:
        return []


def _by_ipv4(root: Path) -> str | None:
    """Columns of /proc/net/route: interface, destination, gateway, flags, ..., metric (7th), mask."""
    found = []
    for row in _rows(root / "proc/net/route")[1:]:
        if len(row) < 8 or row[1] != "00000000" or row[7] != "00000000":
            continue
        try:
            flags, metric, gateway = int(row[3], 16), int(row[6]), bytes.fromhex(row[2])
        except ValueError:
            continue
        if flags & _UP_AND_GATEWAY == _UP_AND_GATEWAY and len(gateway) == 4:
            # The kernel prints the address as a number of this machine's byte order.
            found.append((metric, str(ipaddress.IPv4Address(gateway[::-1]))))
    return min(found)[1] if found else None


def _by_ipv6(root: Path) -> str | None:
    """Most routers tell of an address that is good on their link only; one good beyond it is better."""
    found = sorted(gateways_of([" ".join(row) for row in _rows(root / "proc/net/ipv6_route")]))
    wide = [row for row in found if not ipaddress.IPv6Address(row[1]).is_link_local]
    return (wide or found)[0][1] if found else None


def own_address_toward(address: str) -> str | None:
    """The address that packets to another one leave from, as the kernel routes them; nothing is sent.

    Toward a router that is known by its link only: the one that packets through it leave from.
    """
    there = ipaddress.ip_address(address)
    if there.version == 6 and there.is_link_local:
        address = _ANYWHERE
    family = socket.AF_INET6 if ipaddress.ip_address(address).version == 6 else socket.AF_INET
    with socket.socket(family, socket.SOCK_DGRAM) as asking:
        try:
            asking.connect((address, 9))
        except OSError:
            return None
        return str(asking.getsockname()[0])


def own_name() -> str:
    """What this machine calls itself."""
    return socket.gethostname()


def home_address() -> str | None:
    """This machine's address in its home: that toward its router, else the first private one it has."""
    gateway = default_gateway()
    toward = own_address_toward(gateway) if gateway else None
    own = [ipaddress.ip_address(a) for several in own_addresses().values() for a in several]
    private = [str(a) for a in own if a.is_private and not a.is_link_local]
    return toward or (private[0] if private else None)


def look_around(
    gateway: str | None = None,
    *,
    root: Path = Path("/"),
    own: Callable[[str], str | None] = own_address_toward,
    toward: Callable[[str], str | None] = interface_toward,
    name: Callable[[], str] = own_name,
) -> Surroundings:
    """What this machine says of itself; SystemRefusedError with the remedy when it has no way out."""
    gateway = gateway or default_gateway(root)
    if gateway is None:
        raise SystemRefusedError(
            f"this machine tells of no default route; connect it to the home's network, or {BY_HAND}"
        )
    address = own(gateway)
    if address is None:
        raise SystemRefusedError(f"this machine has no way to {gateway}; connect it, or {BY_HAND}")
    interface = toward(gateway)
    return Surroundings(
        name=name(),
        address=address,
        interface=interface,
        radio=interface in Host(root).radios() if interface else None,
        gateway=gateway,
    )


def addresses_of_name(name: str) -> list[str]:
    """The addresses that the system's resolver gives for a name, IPv4 first; RemoteError without any."""
    try:
        found = socket.getaddrinfo(name, None, type=socket.SOCK_DGRAM)
    except (OSError, UnicodeError) as trouble:
        raise RemoteError(f"{name}: no address is known for it ({trouble}); check its spelling") from None
    rows = sorted(found, key=lambda row: row[0] != socket.AF_INET)
    return list(dict.fromkeys(str(row[4][0]) for row in rows))
