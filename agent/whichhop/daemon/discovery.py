"""Looks for the provider's first hop now and then, and notices when it or the route to it has changed."""

from collections.abc import Awaitable, Callable
from dataclasses import dataclass

from whichhop.errors import WhichhopError
from whichhop.model import Home, NodeKind
from whichhop.wire.trace import Edge, Network, Route, changed_steps, home_networks, provider_edge

EVERY_S = 3600.0
"""A home's route changes seldom; each look costs some dozen packets and a process of a second."""
AGAIN_S = 300.0
"""How soon to look again while the edge is not known."""

Find = Callable[[str], Awaitable[Route]]


@dataclass(slots=True, kw_only=True)
class EdgeFinder:
    """The looking of one agent, for a home whose file says `provider-edge: discover`.

    find: the route to a numeric address; its trouble is a WhichhopError. say: takes a line for the journal,
    once for each thing that is new. home: may be replaced by one read anew. edge: what the last look found,
    kept while later looks fail.
    """

    home: Home
    find: Find
    say: Callable[[str], None]
    edge: Edge | None = None
    _route: Route | None = None
    _said: str = ""

    async def look(self) -> str | None:
        """Look once; the edge's address when it is new or another than before, else None."""
        anchor = self.home.nodes[self.home.anchors[0]]
        try:
            route = await self.find(anchor.address or "")
        except WhichhopError as trouble:
            self._tell(str(trouble))
            return None
        self._compare(route, anchor.name)
        found = provider_edge(route, self._networks())
        # Neither a silent router before it nor the anchor itself can be told from the provider's first hop.
        if found is None or not found.certain or found.address == anchor.address:
            self._tell(
                f"the provider's first hop did not answer on the way to {anchor.name}; "
                "write its address in the home file under targets, if you know it"
            )
            return None
        self._said = ""
        before, self.edge = self.edge, found
        if before is not None and before.address == found.address:
            return None
        self.say(f"the provider's first hop is {found.address}, {found.ttl} steps from here")
        return found.address

    def _networks(self) -> tuple[Network, ...]:
        upstream = (NodeKind.ANCHOR, NodeKind.PROVIDER_EDGE)
        return home_networks(
            n.address for n in self.home.nodes.values() if n.address and n.kind not in upstream
        )

    def _compare(self, route: Route, name: str) -> None:
        before = self._route
        steps = changed_steps(before, route) if before is not None and before.target == route.target else ()
        if steps:
            self.say(f"the route to {name} changed at step {', '.join(map(str, steps))}")
        self._route = route

    def _tell(self, text: str) -> None:
        if text != self._said:
            self.say(text)
        self._said = text

    @property
    def wait_s(self) -> float:
        """How long to wait before looking again."""
        return AGAIN_S if self.edge is None else EVERY_S
