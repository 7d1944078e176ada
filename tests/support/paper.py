"""Small scenarios for tests of the paper floor."""

from whichhop.lab.scenario import Fault, LinkNature, Quirk, Scenario
from whichhop.model import BEYOND, PROVIDER_EDGE, Home, Link, LinkKind, Medium, Node, NodeKind, Plan, Resolver


def alder_house(
    *,
    seconds: float = 600.0,
    natures: dict[str, LinkNature] | None = None,
    faults: tuple[Fault, ...] = (),
    quirks: tuple[Quirk, ...] = (),
    noise: float = 0.0,
) -> Scenario:
    """desk -radio- attic -radio- router -wire- modem -cable- provider edge; study wired to the router."""
    nodes = [
        Node(name="modem", kind=NodeKind.MODEM),
        Node(name="router", kind=NodeKind.ROUTER, address="192.0.2.1"),
        Node(name="attic", kind=NodeKind.MESH_NODE, address="192.0.2.2", agent=True, stamp=True),
        Node(name="desk", kind=NodeKind.HOST, address="192.0.2.20", agent=True, stamp=True),
        Node(name="study", kind=NodeKind.HOST, address="192.0.2.21", agent=True, stamp=True),
        Node(name=PROVIDER_EDGE, kind=NodeKind.PROVIDER_EDGE, address="198.51.100.1"),
        Node(name="harbour", kind=NodeKind.PEER, address="203.0.113.7", stamp=True),
        Node(name="mill", kind=NodeKind.PEER, address="203.0.113.8"),
    ]
    rows = [
        ("desk", "attic", LinkKind.WIRELESS, Medium.RADIO),
        ("attic", "router", LinkKind.BACKHAUL, Medium.RADIO),
        ("study", "router", LinkKind.WIRED, Medium.ETHERNET),
        ("router", "modem", LinkKind.WIRED, Medium.ETHERNET),
        ("modem", PROVIDER_EDGE, LinkKind.ACCESS, Medium.CABLE),
    ]
    links = [Link(name=f"{a}/{b}", near=a, far=b, kind=k, medium=m) for a, b, k, m in rows]
    links.append(Link(name=BEYOND, near=PROVIDER_EDGE, far=BEYOND, kind=LinkKind.BEYOND))
    home = Home(
        name="Alder House",
        plan=Plan(down_bps=500_000_000, up_bps=40_000_000),
        nodes={n.name: n for n in nodes},
        links=tuple(links),
        peers=("harbour", "mill"),
        resolvers=(Resolver(name="resolver", address="192.0.2.1", place="router"),),
    )
    return Scenario(
        name="test",
        home=home,
        natures=natures or {link.name: LinkNature(delay_s=0.001) for link in links},
        faults=faults,
        seconds=seconds,
        quirks=quirks,
        noise=noise,
    )
