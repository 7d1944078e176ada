"""A session: one stream of test packets from an agent to a target; and how a home implies them."""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

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


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class SessionKey:
    """What names a session everywhere: in the store, in files, in metrics' labels."""

    agent: str
    target: str
    method: Method

    def __str__(self) -> str:
        return f"{self.agent}>{self.target}:{self.method}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """A session with the path its packets take through the home file's tree."""

    key: SessionKey
    address: str | None
    """None while it waits for route discovery to name the provider edge."""
    path: Path
    interval_s: float = 1.0


def _targets(home: Home, agent: Node) -> Iterator[tuple[Node, Method]]:
    """What one agent probes: its way out, the anchors, the other agents; STAMP where it is answered."""
    wanted = dict.fromkeys(home.way_out(agent.name))
    wanted.update(dict.fromkeys(home.anchors))
    wanted.update(dict.fromkeys(n.name for n in home.agents if n.name != agent.name))
    for name in wanted:
        node = home.nodes[name]
        if node.address is None and not (name == PROVIDER_EDGE and home.discover_edge):
            continue
        yield node, Method.STAMP if node.agent or node.stamp else Method.ECHO


def derive_sessions(home: Home) -> tuple[Session, ...]:
    """Every steady session the home implies, so that nobody writes a routing matrix.

    Each agent probes every addressed node on its way out, the provider edge, the anchors and the other
    agents. Ordered by agent as written, then by distance.
    """
    out = []
    for agent in home.agents:
        for node, method in _targets(home, agent):
            path = home.path(agent.name, node.name)
            if path is not None:
                key = SessionKey(agent=agent.name, target=node.name, method=method)
                out.append(Session(key=key, address=node.address, path=path))
    return tuple(out)
