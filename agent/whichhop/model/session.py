"""A session: one stream of test packets from an agent to a target; and how a home implies them."""

from collections.abc import Iterable, Iterator, Mapping
from enum import StrEnum

from msgspec import Struct

from whichhop.model.home import PROVIDER_EDGE, Home, Node, Path


class Method(StrEnum):
    """How a session asks; the value is what files, labels and tables show."""

    ECHO = "echo"
    """ICMP or ICMPv6 echo (RFC 792, RFC 4443)."""
    STAMP = "stamp"
    """Simple Two-way Active Measurement Protocol (RFC 8762)."""
    TCP = "tcp-connect"
    """Time to a TCP handshake's answer, where echo is filtered."""
    LOOKUP = "lookup"
    """A DNS question to a resolver."""
    CALL = "call"
    """STAMP or echo at 50 packets a second for 10 s, a call's rhythm."""
    LOADED = "loaded"
    """STAMP or echo at 20 packets a second while a transfer runs."""

    __hash__ = str.__hash__  # an enumeration's own is Python code, run eight times for every packet


class SessionKey(Struct, frozen=True, kw_only=True, order=True):
    """What names a session everywhere: in the store, in files, in metrics' labels."""

    agent: str
    target: str
    method: Method

    def __str__(self) -> str:
        return f"{self.agent}>{self.target}:{self.method}"


class Session(Struct, frozen=True, kw_only=True):
    """A session with the path its packets take through the home file's tree."""

    key: SessionKey
    address: str | None
    """None while it waits for route discovery to find the provider edge, or for a name to be looked up."""
    path: Path
    interval_s: float = 1.0


LOOKUP_INTERVAL_S = 2.5
"""Four answers in a window of ten seconds are enough for a quantile; resolvers belong to others."""
CALL_GAP_S = 0.02


def _method(node: Node) -> Method:
    """STAMP where it is answered, else a TCP handshake where one is offered, else echo."""
    if node.agent or node.stamp:
        return Method.STAMP
    return Method.ECHO if node.tcp_port is None else Method.TCP


def _targets(home: Home, agent: Node, paths: Mapping[str, Path]) -> Iterator[Node]:
    """What one agent probes: its way out, the peers, the other agents."""
    wanted = dict.fromkeys(paths[home.root].nodes[1:] if home.root in paths else ())
    wanted.update(dict.fromkeys(home.peers))
    wanted.update(dict.fromkeys(n.name for n in home.agents if n.name != agent.name))
    for name in wanted:
        node = home.nodes[name]
        to_be_found = node.host_name is not None or (name == PROVIDER_EDGE and home.discover_edge)
        if node.address is not None or to_be_found or node.moves:
            yield node


def _session(key: SessionKey, path: Path | None, address: str | None, interval_s: float) -> Iterator[Session]:
    if path is not None and path.links:  # an agent does not probe itself
        yield Session(key=key, address=address, path=path, interval_s=interval_s)


def derive_sessions(home: Home) -> tuple[Session, ...]:
    """Every steady session the home implies, so that nobody writes a routing matrix.

    Each agent probes every addressed node on its way out, the provider edge, the peers, the other agents,
    and asks the resolvers. Ordered by agent as written, then by distance.
    """
    out: list[Session] = []
    for agent in home.agents:
        paths = home.paths(agent.name)
        for node in _targets(home, agent, paths):
            key = SessionKey(agent=agent.name, target=node.name, method=_method(node))
            out += _session(key, paths.get(node.name), node.address, 1.0)
        for resolver in home.resolvers:
            key = SessionKey(agent=agent.name, target=resolver.name, method=Method.LOOKUP)
            out += _session(key, paths.get(resolver.place), resolver.address, LOOKUP_INTERVAL_S)
    return tuple(out)


def call_sessions(home: Home) -> tuple[Session, ...]:
    """The call streams: from each agent to the peers and the provider edge, where packets can be sent."""
    out: list[Session] = []
    for agent in home.agents:
        paths = home.paths(agent.name)
        for node in _targets(home, agent, paths):
            upstream = node.name == PROVIDER_EDGE or node.name in home.peers
            if upstream and _method(node) is not Method.TCP:
                key = SessionKey(agent=agent.name, target=node.name, method=Method.CALL)
                out += _session(key, paths.get(node.name), node.address, CALL_GAP_S)
    return tuple(out)


def across_families(home: Home, sessions: Iterable[Session]) -> dict[str, list[Session]]:
    """By agent, the sessions to an address of the other family (IPv4, IPv6) than the agent's own.

    They exist only where the agent's machine has both.
    """
    out: dict[str, list[Session]] = {}
    for session in sessions:
        own = home.nodes[session.key.agent].address
        if own and session.address and (":" in own) != (":" in session.address):
            out.setdefault(session.key.agent, []).append(session)
    return out
