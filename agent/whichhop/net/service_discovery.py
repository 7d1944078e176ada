"""DNS-SD (RFC 6763) by multicast DNS (RFC 6762): announces this agent by its key, and hears of others.

Only the fingerprint of the key is announced; what is heard is a stranger's word until a handshake has shown
that the key is held there.
"""

import asyncio
import contextlib
import secrets
from collections.abc import Callable, Sequence
from ipaddress import ip_address

from msgspec import Struct
from zeroconf import Error as ServiceError
from zeroconf import IPVersion, NonUniqueNameException, ServiceStateChange, Zeroconf
from zeroconf.asyncio import AsyncServiceBrowser, AsyncServiceInfo, AsyncZeroconf

SERVICE = "_whichhop._tcp.local."
MOST_WAITING = 64
"""Names heard of and not asked about yet, of known keys and of others each; a home has at most 40 agents."""
MOST_OF_A_KEY = 4
"""Of those, with one key: an agent has one, and others for as long as its old ones are remembered."""
MOST_ADDRESSES = 4
_ASK_MS = 2_000
_LONGEST_KEY = 64


class Announced(Struct, frozen=True):
    """What somebody announces: a key's fingerprint, and where its agent is said to be."""

    key: str
    addresses: tuple[str, ...]


def _versions(addresses: Sequence[str]) -> IPVersion:
    found = {ip_address(address).version for address in addresses}
    return {frozenset({4}): IPVersion.V4Only, frozenset({6}): IPVersion.V6Only}.get(
        frozenset(found), IPVersion.All
    )


class ServiceDiscovery:
    """`await start(...)`, `await close()`; heard: takes what is announced, in the event loop.

    known: whether a key is one of the home's, by which its names are asked about before all others.
    """

    def __init__(
        self, key: str, port: int, heard: Callable[[Announced], None], known: Callable[[str], bool]
    ) -> None:
        self._key, self._port, self._heard, self._known = key, port, heard, known
        self._waiting: dict[bool, dict[str, str]] = {True: {}, False: {}}
        """Names and their keys, of keys that are known and of others."""
        self._some = asyncio.Event()
        self._asking: asyncio.Task[None] | None = None
        self._zeroconf: AsyncZeroconf | None = None
        self._browser: AsyncServiceBrowser | None = None

    async def start(self, addresses: Sequence[str]) -> None:
        """Announce and listen on the interfaces with these addresses; OSError when that cannot be."""
        self._zeroconf = AsyncZeroconf(interfaces=list(addresses), ip_version=_versions(addresses))
        self._asking = asyncio.create_task(self._ask(self._zeroconf.zeroconf))
        self._browser = AsyncServiceBrowser(self._zeroconf.zeroconf, SERVICE, handlers=[self._came])
        # A name of its own each time: what was said before of another address is nobody's news any more.
        tail = secrets.token_hex(3)
        info = AsyncServiceInfo(
            SERVICE,
            f"{self._key}-{tail}.{SERVICE}",
            port=self._port,
            properties={"key": self._key},
            server=f"whichhop-{tail}.local.",
            parsed_addresses=list(addresses),
        )
        try:
            await self._zeroconf.async_register_service(info)
        except NonUniqueNameException as taken:
            raise OSError(f"the name {info.name} is announced by somebody else") from taken

    def _came(
        self, zeroconf: Zeroconf, service_type: str, name: str, state_change: ServiceStateChange
    ) -> None:
        if state_change is not ServiceStateChange.Removed:
            self._want(name)

    def _want(self, name: str) -> None:
        key = name.partition("-")[0]
        waiting = self._waiting[self._known(key)]
        if len(waiting) < MOST_WAITING and sum(key == k for k in waiting.values()) < MOST_OF_A_KEY:
            waiting[name] = key
            self._some.set()

    async def _ask(self, zeroconf: Zeroconf) -> None:
        while True:
            await self._some.wait()
            waiting = self._waiting[True] or self._waiting[False]
            if not waiting:
                self._some.clear()
                continue
            name = next(iter(waiting))
            del waiting[name]
            # Whoever is on the network chooses the name, and one that is none must not end the hearing.
            with contextlib.suppress(ServiceError, ValueError):
                await self._ask_about(zeroconf, name)

    async def _ask_about(self, zeroconf: Zeroconf, name: str) -> None:
        info = AsyncServiceInfo(SERVICE, name)
        if not await info.async_request(zeroconf, _ASK_MS):
            return
        key = (info.properties.get(b"key") or b"").decode("ascii", "replace")
        # A bare link-local address says nothing where it is heard.
        said = [a for a in info.parsed_addresses(IPVersion.All) if not ip_address(a).is_link_local]
        addresses = tuple(sorted(said, key=lambda a: ip_address(a).version)[:MOST_ADDRESSES])
        if addresses and 0 < len(key) <= _LONGEST_KEY and key != self._key:
            self._heard(Announced(key, addresses))

    async def close(self) -> None:
        """Say goodbye, and listen no more."""
        if self._asking is not None:
            self._asking.cancel()
        if self._browser is not None:
            await self._browser.async_cancel()
        if self._zeroconf is not None:
            await self._zeroconf.async_close()
        self._asking = self._browser = self._zeroconf = None
