"""Looks at the way to each peer now and then: its route, the largest packet, what becomes of marks."""

import secrets
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field

from whichhop.daemon.home_in_use import InUse
from whichhop.errors import WhichhopError
from whichhop.model import PROVIDER_EDGE, Node, NodeKind
from whichhop.net.clock import Clock
from whichhop.probes.mark_check import check_mark
from whichhop.probes.path_mtu import check_path_mtu
from whichhop.probes.path_trace import find_route
from whichhop.wire.marks import Marking
from whichhop.wire.ntp64 import ErrorEstimate
from whichhop.wire.trace import Route, changed_steps, home_networks, provider_edge

EVERY_S = 3600.0
"""A home's route changes seldom; each look costs some dozens of packets and a process of a second."""
AGAIN_S = 300.0

Tell = Callable[[str], None]
Keep = Callable[[str, str, float], None]
"""Takes a figure's name, its target and its value."""


@dataclass(slots=True, kw_only=True)
class RouteWatch:
    """One agent's look past the home. Each failure is told once, until that look succeeds again.

    found: called with the provider edge's address when the home file leaves it to be discovered.
    count: called at each failure, told or not.
    now: the home in use. What was found before stays through a change of it.
    """

    now: Callable[[], InUse]
    clock: Clock
    estimate: Callable[[], ErrorEstimate]
    keep: Keep
    found: Callable[[str], None]
    tell: Tell
    count: Callable[[], None] = lambda: None
    _routes: dict[str, Route] = field(default_factory=dict)
    _edge: str | None = None
    _failing: set[str] = field(default_factory=set)

    @property
    def wait_s(self) -> float:
        """How long to wait before the next look; shorter while the provider's edge is still unknown."""
        return AGAIN_S if self.now().home.discover_edge and self._edge is None else EVERY_S

    async def look(self) -> None:
        """Look at every peer, one after the other, so that the looks never load the line."""
        home = self.now().home
        for name in home.peers:
            peer = home.nodes[name]
            if peer.address is None:
                continue
            await self._try(f"route to {name}", self._route(peer, peer.address))
            await self._try(f"packet sizes to {name}", self._sizes(peer, peer.address))
            if peer.stamp:
                await self._try(f"marks to {name}", self._marks(peer, peer.address))

    async def _try(self, what: str, look: Awaitable[None]) -> None:
        try:
            await look
        except WhichhopError as trouble:
            self.count()
            if what not in self._failing:
                self.tell(f"{what}: {trouble}")
            self._failing.add(what)
        else:
            self._failing.discard(what)

    async def _route(self, peer: Node, address: str) -> None:
        route = await find_route(address)
        before = self._routes.get(peer.name)
        self._routes[peer.name] = route
        changed = changed_steps(before, route) if before else ()
        if changed:
            self.tell(f"the route to {peer.name} changed at step {', '.join(map(str, changed))}")
        self.keep("route_steps", peer.name, len(route.hops))
        self.keep("route_changed", peer.name, float(bool(changed)))
        if self.now().home.discover_edge and peer.name == self.now().home.peers[0]:
            self._discover(route, address)

    def _discover(self, route: Route, address: str) -> None:
        own = (
            n.address
            for n in self.now().home.nodes.values()
            if n.address and n.kind not in (NodeKind.PEER, NodeKind.PROVIDER_EDGE)
        )
        edge = provider_edge(route, home_networks(own))
        # Neither a silent router before it nor the peer itself can be told from the provider's first hop.
        if edge is None or not edge.certain or edge.address == address:
            raise WhichhopError(
                f"the provider's first hop did not answer on the way, so {PROVIDER_EDGE} is not probed;"
                " write its address in the home file under targets, if you know it"
            )
        if edge.address != self._edge:
            self.tell(f"the provider's first hop is {edge.address}, {edge.ttl} steps from here")
            self._edge = edge.address
            self.found(edge.address)

    async def _sizes(self, peer: Node, address: str) -> None:
        found = await check_path_mtu(address, self.clock, ident=secrets.randbelow(0x10000))
        if found.size is not None:
            self.keep("path_mtu_bytes", peer.name, found.size)

    async def _marks(self, peer: Node, address: str) -> None:
        signed = self.now().home.authenticated and peer.has_key
        found = await check_mark(
            address,
            self.clock,
            self.estimate,
            ssid=1 + secrets.randbelow(0xFFFF),
            port=self.now().home.ports.stamp,
            key=self.now().stamp_key if signed else None,
        )
        if found.marking is not Marking.UNKNOWN:
            self.keep("mark_kept", peer.name, float(found.marking is Marking.KEPT))
