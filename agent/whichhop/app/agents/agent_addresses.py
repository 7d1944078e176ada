"""Where a home's agents are asked, and since when what they measured may be judged."""

from whichhop.model import Home, Node
from whichhop.model.units import NS_PER_S
from whichhop.net.authority import authority

SETTLED_NS = 8 * NS_PER_S
"""A window is judged once its last packet has settled; see daemon/minutes.py, which waits as long."""
DAY_NS = 24 * 3600 * NS_PER_S


def tls_addresses_of(home: Home) -> dict[str, str]:
    """Where each agent hands out records, in TLS: agent to base address."""
    return {n.name: f"https://{_place(n, home.ports.tls)}" for n in home.agents}


def addresses_of(home: Home) -> dict[str, str]:
    """Where each agent shows what anybody in the home may see: agent to base address."""
    return {n.name: f"http://{_place(n, home.ports.api)}" for n in home.agents}


def _place(node: Node, port: int) -> str:
    """Where an agent is asked; one that was not found yet has a place of its own that names no host."""
    return authority(node.address, port) if node.address else f"{node.name}@:{port}"
