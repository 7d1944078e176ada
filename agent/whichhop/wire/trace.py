"""The ladder of hop limits that finds a path's routers, and what two such findings say together. Pure.

All probes of one ladder keep the fields by which routers share load among equal paths (addresses, protocol,
ports, IPv6 flow label: RFC 2992, RFC 6438), so every step looks at the same path. A router may answer
seldom or never (RFC 1812 4.3.2.8, RFC 4443 2.4 f): a step without an answer is silent, and silence is not
loss. Nothing here has a loss figure, on purpose.
"""

from collections.abc import Iterable, Sequence
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address

from msgspec import Struct, field

Network = IPv4Network | IPv6Network
TRIES = 3
LAST_HOP = 20
REFUSED, UNROUTED = 3, 4
"""How a process ends that was to climb a ladder: no raw socket to be had; no way to the target."""
SILENT_END = 5
"""So many silent steps in a row end the ladder: the rest is not going to speak either (common practice)."""


class Hop(Struct, frozen=True, kw_only=True):
    """What answered at one hop limit; several addresses where equal paths join in spite of the flow."""

    ttl: int
    addresses: tuple[str, ...]
    asked: int
    answered: int
    best_rtt_ns: int | None = None
    final: bool = False
    """True for the target itself."""

    @property
    def silent(self) -> bool:
        """True when nothing answered; says nothing about packets that pass through."""
        return not self.addresses


class Route(Struct, frozen=True, kw_only=True):
    """The steps of one ladder, from the nearest on, silent ones at the far end left out."""

    target: str
    hops: tuple[Hop, ...]

    @property
    def reached(self) -> bool:
        """True when the target itself answered."""
        return bool(self.hops) and self.hops[-1].final


class _Step(Struct):
    asked: int = 0
    answers: list[tuple[str, int]] = field(default_factory=list)
    final: bool = False


class Ladder(Struct):
    """One finding in the making: `due` says what to ask next, `answer` takes what came back.

    tries: how often each step is asked until it speaks. The caller decides how long to wait between rounds.
    """

    target: str
    tries: int = TRIES
    last_hop: int = LAST_HOP
    at_once: int = 4
    """Steps under way together: few, so that a rate-limited home router keeps answering."""
    _steps: dict[int, _Step] = field(default_factory=dict)

    def due(self) -> list[int]:
        """The hop limits to ask in this round, each once; they count as asked. Empty when the ladder ends."""
        out: list[int] = []
        for ttl in range(1, self._end() + 1):
            step = self._steps.setdefault(ttl, _Step())
            if not step.answers and step.asked < self.tries:
                out.append(ttl)
            if len(out) == self.at_once:
                break
        for ttl in out:
            self._steps[ttl].asked += 1
        return out

    def answer(self, ttl: int, address: str, rtt_ns: int, *, final: bool) -> None:
        """A router, or with `final` the target, answered the probe of that hop limit; others are ignored."""
        step = self._steps.get(ttl)
        if step is not None and step.asked:
            step.answers.append((str(ip_address(address)), rtt_ns))
            step.final = step.final or final

    def _end(self) -> int:
        """The last hop limit worth asking."""
        silent = 0
        for ttl in range(1, self.last_hop + 1):
            step = self._steps.get(ttl, _Step())
            if step.final:
                return ttl
            gave_up = not step.answers and step.asked >= self.tries
            silent = silent + 1 if gave_up else 0
            if silent >= SILENT_END:
                return ttl
        return self.last_hop

    def route(self) -> Route:
        """What is known so far, or in the end."""
        hops = [self._hop(ttl) for ttl in range(1, self._end() + 1) if ttl in self._steps]
        while hops and hops[-1].silent:
            hops.pop()
        return Route(target=self.target, hops=tuple(hops))

    def _hop(self, ttl: int) -> Hop:
        step = self._steps[ttl]
        return Hop(
            ttl=ttl,
            addresses=tuple(dict.fromkeys(address for address, _ in step.answers)),
            asked=step.asked,
            answered=len(step.answers),
            best_rtt_ns=min((rtt for _, rtt in step.answers), default=None),
            final=step.final,
        )


class Edge(Struct, frozen=True, kw_only=True):
    """The first hop outside the home.

    certain: False when a silent step lies between the home and it, so that the provider's first router may
    be an earlier one that does not speak.
    """

    address: str
    ttl: int
    certain: bool


def at_home(address: str, home: Sequence[Network]) -> bool:
    """True for an address in the home's networks, and for a link-local one."""
    found = ip_address(address)
    return found.is_link_local or any(found.version == n.version and found in n for n in home)


def provider_edge(route: Route, home: Sequence[Network]) -> Edge | None:
    """The provider's first hop: the first step that answered from outside the home's networks.

    home: the networks of the home file's own addresses. Private space (RFC 1918, RFC 6598) outside them
    counts as the provider's: carriers number their first hop so too. None when the ladder never left home.
    """
    return next(iter(outside_steps(route, home)), None)


def outside_steps(route: Route, home: Sequence[Network]) -> tuple[Edge, ...]:
    """Every step that answered from outside the home, nearest first; certain: no silent step before it."""
    certain, found = True, []
    for hop in route.hops:
        outside = [address for address in hop.addresses if not at_home(address, home)]
        if outside:
            found.append(Edge(address=outside[0], ttl=hop.ttl, certain=certain))
        certain = certain and not hop.silent
    return tuple(found)


def home_networks(addresses: Iterable[str]) -> tuple[Network, ...]:
    """The networks around a home's own addresses: the /24 of each, or the /64 in IPv6 (common practice)."""
    out: dict[Network, None] = {}
    for address in addresses:
        found: IPv4Address | IPv6Address = ip_address(address)
        if isinstance(found, IPv4Address):
            out[IPv4Network((found, 24), strict=False)] = None
        else:
            out[IPv6Network((found, 64), strict=False)] = None
    return tuple(out)


def changed_steps(before: Route, after: Route) -> tuple[int, ...]:
    """The hop limits at which two routes to one target surely differ: both spoke, with no address in common.

    A step that fell silent or began to speak is no change. A target that answers from another distance is
    one, at the nearer of the two distances.
    """
    old = {hop.ttl: set(hop.addresses) for hop in before.hops}
    new = {hop.ttl: set(hop.addresses) for hop in after.hops}
    out = {ttl for ttl in old.keys() & new.keys() if old[ttl] and new[ttl] and not old[ttl] & new[ttl]}
    if before.reached and after.reached and before.hops[-1].ttl != after.hops[-1].ttl:
        out.add(min(before.hops[-1].ttl, after.hops[-1].ttl))
    return tuple(sorted(out))
