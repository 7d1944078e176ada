"""The home as it is built in namespaces: what the home file leaves implied becomes nodes and links."""

from dataclasses import replace

from whichhop.model import BEYOND, Home, Link, LinkKind, Node, NodeKind


def peer_wire(peer: str) -> str:
    """The name of the wire that joins one peer to what lies beyond: there one destination fails alone."""
    return f"{BEYOND}/{peer}"


def as_built(home: Home) -> Home:
    """The same home with a node where the peers meet, "beyond" leading to it, and a wire to each."""
    links: list[Link] = []
    for link in home.links:
        # The model joins a link of this kind to every peer at once; a real wire has two ends.
        links.append(replace(link, kind=LinkKind.WIRED, far=BEYOND) if link.kind is LinkKind.BEYOND else link)
    if not home.peers:
        return replace(home, links=tuple(links))
    meeting = Node(name=BEYOND, kind=NodeKind.SWITCH)
    wires = [Link(name=peer_wire(a), near=BEYOND, far=a, kind=LinkKind.WIRED) for a in home.peers]
    return replace(home, nodes={**home.nodes, BEYOND: meeting}, links=(*links, *wires), peers=())
