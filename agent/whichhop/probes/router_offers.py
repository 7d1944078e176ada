"""What the router itself offers for counting the home's own traffic: UPnP, found by SSDP, and SNMP.

Everything ends within seconds; what is found was tried, one count read, before it is offered.
"""

import asyncio
import socket
from collections.abc import Sequence
from contextlib import suppress
from ipaddress import ip_address
from urllib.parse import urlsplit

import msgspec
from msgspec import Struct

from whichhop.errors import RemoteError, SystemRefusedError
from whichhop.model.levels_source import CounterSource
from whichhop.net.child import LONGEST_LINE, our_module, started
from whichhop.net.listen import authority
from whichhop.outside import OutsideError, typed
from whichhop.printable import printable
from whichhop.probes.device_talk import CountersRequest, CountersSaid
from whichhop.wire import mibs, upnp_wan
from whichhop.wire.upnp_wan import SERVICE

SEARCH_S = 2.0
"""Devices answer a search of a group within its MX, 1 s here."""
WAIT_S = 1.5
"""For one answer of the router's, over HTTP or SNMP."""
TRY_S = 12.0
"""For the first count: a process starts, and the router is asked three times."""
MOST_ANSWERS = 20
PUBLIC = "public"
"""The community that is no secret (common practice: what devices are shipped with for reading)."""
_LONGEST_NAME = 80


class Offer(Struct, frozen=True, kw_only=True):
    """source: what counts; None where nothing does, and why says so in words for a person.

    interfaces: the router's, where it answers SNMP and does not tell which one is toward the modem.
    """

    source: CounterSource | None = None
    why: str = ""
    interfaces: Sequence[str] = ()


async def upnp_offer(gateway: str, own: str, *, port: int = upnp_wan.PORT) -> Offer:
    """What the router at `gateway` offers by UPnP. own: this machine's address toward it; port: SSDP's."""
    if ip_address(gateway).version == 6:
        return Offer(why="UPnP was not looked for: it is asked over IPv4 only")
    try:
        url = await _search(gateway, own, port)
    except OutsideError as wrong:
        return Offer(why=f"what answers UPnP at the router is not understood ({wrong})")
    except OSError as trouble:
        return Offer(why=f"UPnP could not be looked for ({trouble.strerror or trouble})")
    if url is None:
        return Offer(why="the router offers no byte counters by UPnP, or it is off there")
    try:
        host = urlsplit(url).hostname
    except ValueError:
        host = None
    if host != gateway:
        return Offer(why="the router's UPnP names a description on another machine, which was not asked")
    return await _tried(CounterSource(description=url), "UPnP")


async def _search(gateway: str, own: str, port: int) -> str | None:
    """The description's URL as the router itself tells it, asked alone and with the group of its link."""
    loop = asyncio.get_running_loop()
    ends_s = loop.time() + SEARCH_S
    wrong: OutsideError | None = None
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        asking.setblocking(False)
        asking.bind((own, 0))
        await loop.sock_sendto(asking, upnp_wan.search(authority(gateway, port), SERVICE), (gateway, port))
        if not ip_address(gateway).is_loopback:
            # Many routers answer only what is sent to the group; one hop, so that it stays on this link.
            asking.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, 1)
            asking.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton(own))
            with suppress(OSError):
                question = upnp_wan.search(authority(upnp_wan.GROUP, port), SERVICE, wait_s=1)
                await loop.sock_sendto(asking, question, (upnp_wan.GROUP, port))
        for _ in range(MOST_ANSWERS):
            try:
                async with asyncio.timeout_at(ends_s):
                    octets, where = await loop.sock_recvfrom(asking, upnp_wan.MOST_OCTETS)
            except TimeoutError:
                break
            except ConnectionRefusedError:
                continue  # its own port is closed; it may still answer the group
            if where[0] != gateway:
                continue
            try:
                if (url := upnp_wan.description_address(octets, SERVICE)) is not None:
                    return url
            except OutsideError as one:
                wrong = one
    if wrong is not None:
        raise wrong
    return None


async def snmp_offer(gateway: str, *, port: int = 161) -> Offer:
    """What the router offers by SNMPv2c with the community `public`, and no other."""
    from whichhop.probes.snmp_walk import SnmpTarget  # noqa: PLC0415 # 30 MB that UPnP need not load

    address = ip_address(gateway)
    if address.version == 6 and address.is_link_local:
        return Offer(why="SNMP was not asked: the router is known by a link-local address only")
    target = SnmpTarget(gateway, port, PUBLIC, WAIT_S, retries=0)
    try:
        async with asyncio.timeout(TRY_S):
            names = await target.walk_texts(mibs.NAMES)
            routes = await target.walk(mibs.DEFAULT_ROUTES)
    except RemoteError:
        return Offer(why=f"the router does not answer SNMP with the community {PUBLIC!r}")
    except TimeoutError:
        return Offer(why=f"the router's SNMP took longer than {TRY_S:g} s")
    finally:
        target.close()
    interface = mibs.toward_the_line(names, routes)
    if interface is not None and len(interface) <= _LONGEST_NAME and interface == printable(interface):
        source = CounterSource(address=gateway, port=port, community=PUBLIC, interface=interface)
        return await _tried(source, "SNMP")
    found = tuple(dict.fromkeys(printable(n, _LONGEST_NAME) for n in names.values() if n))
    return Offer(
        why="the router answers SNMP, but does not tell which interface leads to the modem",
        interfaces=found[:12],
    )


async def _tried(source: CounterSource, way: str) -> Offer:
    """The offer, once it has given a count."""
    try:
        why = await _first_complaint(source)
    except TimeoutError:
        why = f"no count within {TRY_S:g} s"
    except (OutsideError, SystemRefusedError, OSError, ValueError) as trouble:
        why = str(trouble)
    if why:
        # The remedy that the daemon's reader adds is for a file that is there already.
        return Offer(why=f"the router offers {way}, but its byte counters cannot be read: {_reason(why)}")
    return Offer(source=source)


def _reason(why: str) -> str:
    return printable(why.partition(";")[0], 200)


async def _first_complaint(source: CounterSource) -> str:
    """Have the daemon's own reader read once: why it cannot, "" where it can."""
    request = msgspec.json.encode(CountersRequest(source=source, timeout_s=WAIT_S))
    argv = our_module("whichhop.probes.counters_child")
    async with asyncio.timeout(TRY_S), started(argv, line_octets=LONGEST_LINE) as child:
        if child.stdin is None or child.stdout is None:
            return "its reader has no pipes"
        child.stdin.write(request + b"\n")
        await child.stdin.drain()
        said = typed(await child.stdout.readline(), "the reader of counters", CountersSaid)
    return said.failed or ("" if said.count is not None else "it says nothing")
