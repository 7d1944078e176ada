"""Looks at the way to each peer now and then: its route, the largest packet, what becomes of a DSCP."""

import secrets
from collections.abc import Awaitable, Callable

from msgspec import Struct, field

from whichhop.daemon.home_in_use import InUse
from whichhop.errors import WhichhopError
from whichhop.model import PROVIDER_EDGE, Node, NodeKind
from whichhop.model.hop_facts import HOP, SILENT, hop_name
from whichhop.model.units import NS_PER_S
from whichhop.net.clock import Clock
from whichhop.probes.path_checks import check_dscp, check_path_mtu
from whichhop.probes.path_trace import find_route
from whichhop.wire.dscp import DscpFate
from whichhop.wire.ntp64 import ErrorEstimate
from whichhop.wire.trace import Route, changed_steps, home_networks, outside_steps

EVERY_S = 3600.0
"""A home's route changes seldom; each look costs some dozens of packets and a process of a second."""
AGAIN_S = 300.0
"""While the provider's first hop is not known."""
TURN_S = 30.0
"""How often it is asked whether a look is due."""
SILENT_S = 60.0
"""A first hop that answers nothing for so long may no longer be on the way: it is looked for again."""
SILENT_AGAIN_S = 120.0
MOST_STEPS = 3
"""Routers past the home that are asked for an echo, nearest first, until one answers."""
EDGE_SIZES = (84,)
"""Octets of the packet with which a router is asked: that of a plain echo (common practice)."""

Answers = Callable[[str], Awaitable[bool]]
Tell = Callable[[str], None]
Keep = Callable[[str, str, float], None]
"""Takes a figure's name, its target and its value."""


class RouteWatch(Struct, kw_only=True):
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
    edge: str | None = None
    """The provider's first hop, where it was found or is kept from the last time."""
    answers: Answers | None = None
    """Whether an address answers an echo; None: asked with a packet."""
    walk: Callable[[str], Awaitable[Route]] = find_route
    _edge_ns: int | None = None
    """When the first hop last answered, or was first probed (monotonic)."""
    _looked_ns: int | None = None
    _walked_ns: int | None = None
    _failing: set[str] = field(default_factory=set)

    @property
    def wait_s(self) -> float:
        """How long to wait before the next turn."""
        return TURN_S

    def look_anew(self) -> None:
        """Let the next turn look at all ways out, as after a change of the home."""
        self._looked_ns = None

    def edge_sample(self, *, answered: bool) -> None:
        """A probe of the provider's first hop came to its end."""
        if answered or self._edge_ns is None:
            self._edge_ns = self.clock.mono_ns()

    def _since_s(self, at_ns: int | None) -> float:
        return EVERY_S if at_ns is None else (self.clock.mono_ns() - at_ns) / NS_PER_S

    async def turn(self) -> None:
        """Look when a look is due: all ways out every hour, the first peer's while no first hop answers."""
        home = self.now().home
        if self._since_s(self._looked_ns) >= EVERY_S:
            self._looked_ns = self._walked_ns = self.clock.mono_ns()
            await self.look()
            return
        if not home.discover_edge or not home.peers:
            return
        silent = (
            self.edge is not None and self._edge_ns is not None and self._since_s(self._edge_ns) > SILENT_S
        )
        again_s = SILENT_AGAIN_S if silent else AGAIN_S
        peer = home.nodes[home.peers[0]]
        if (silent or self.edge is None) and peer.address and self._since_s(self._walked_ns) >= again_s:
            self._walked_ns = self.clock.mono_ns()
            await self._try(f"route to {peer.name}", self._route(peer, peer.address))

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
                await self._try(f"DSCP to {name}", self._dscp(peer, peer.address))
        # Whether the home itself clears it is told between two agents alone.
        for other in home.agents:
            if other.name != self.now().node.name and other.address is not None:
                await self._try(f"DSCP to {other.name}", self._dscp(other, other.address))

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
        route = await self.walk(address)
        before = self._routes.get(peer.name)
        self._routes[peer.name] = route
        changed = changed_steps(before, route) if before else ()
        if changed:
            self.tell(f"the route to {peer.name} changed at step {', '.join(map(str, changed))}")
        self.keep("route_steps", peer.name, len(route.hops))
        self.keep("route_changed", peer.name, float(bool(changed)))
        for hop in route.hops:
            for found in hop.addresses or (SILENT,):
                fastest_s = (hop.best_rtt_ns or 0) / NS_PER_S
                self.keep(HOP, hop_name(peer.name, hop.ttl, found), fastest_s)
        if self.now().home.discover_edge and peer.name == self.now().home.peers[0]:
            await self._discover(route, address)

    async def _discover(self, route: Route, address: str) -> None:
        own = (
            n.address
            for n in self.now().home.nodes.values()
            if n.address and n.kind not in (NodeKind.PEER, NodeKind.PROVIDER_EDGE)
        )
        # The peer itself cannot be told from the provider's first hop.
        steps = [e for e in outside_steps(route, home_networks(own)) if e.address != address][:MOST_STEPS]
        edge = None
        for step in steps:
            if await self._answers(step.address):
                edge = step
                break
        if edge is None:
            if self.edge is not None:
                return  # as in an outage: the one that is known stays until another is found
            if steps:
                named = ", ".join(step.address for step in steps)
                why = f"the provider's routers on the way to {address} ({named}) answer no echo"
            else:
                why = f"no router of the provider answered on the way to {address}"
            raise WhichhopError(
                f"{why}, so {PROVIDER_EDGE} is not probed and the line cannot be told from what lies beyond;"
                " write its address in the home file under targets, if you know it"
            )
        if edge.address != self.edge:
            before = f", no longer {self.edge}" if self.edge else ""
            skipped = "" if edge.certain and edge == steps[0] else "; a router before it does not speak"
            self.tell(
                f"the provider's first hop is {edge.address}, {edge.ttl} steps from here{before}{skipped}"
            )
            self.edge, self._edge_ns = edge.address, None
            self.found(edge.address)

    async def _answers(self, address: str) -> bool:
        if self.answers is not None:
            return await self.answers(address)
        ident = secrets.randbelow(0x10000)
        found = await check_path_mtu(address, self.clock, ident=ident, sizes=EDGE_SIZES)
        return found.size is not None

    async def _sizes(self, peer: Node, address: str) -> None:
        found = await check_path_mtu(address, self.clock, ident=secrets.randbelow(0x10000))
        if found.size is not None:
            self.keep("path_mtu_bytes", peer.name, found.size)
            self.keep("path_swallowed_bytes", peer.name, found.swallowed or 0)

    async def _dscp(self, peer: Node, address: str) -> None:
        signed = self.now().home.authenticated and peer.has_key
        found = await check_dscp(
            address,
            self.clock,
            self.estimate,
            ssid=1 + secrets.randbelow(0xFFFF),
            port=self.now().home.ports.stamp,
            key=self.now().stamp_key if signed else None,
        )
        if found.fate is not DscpFate.UNKNOWN:
            self.keep("dscp_kept", peer.name, float(found.fate is DscpFate.KEPT))
