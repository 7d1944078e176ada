"""A home is a tree; paths walk it link by link."""

from support.homes import alder, home_of


def test_the_way_out_meets_each_node_in_turn() -> None:
    assert list(alder().way_out("desk")) == ["attic", "router", "modem", "provider-edge"]


def test_a_path_to_a_peer_crosses_the_access_link_and_what_lies_beyond() -> None:
    path = alder().path("study", "harbour")
    assert path is not None
    assert [link.name for link in path.links] == [
        "study/router",
        "router/modem",
        "modem/provider-edge",
        "beyond",
    ]


def test_a_path_between_two_agents_stays_inside() -> None:
    path = alder().path("desk", "study")
    assert path is not None
    assert path.nodes == ("desk", "attic", "router", "study")


def test_a_home_without_a_line_leads_to_its_router() -> None:
    home = home_of("""\
home: Loopback House
nodes:
  router: {kind: router, address: 192.0.2.1}
  desk: {kind: host, address: 192.0.2.20, agent: true}
links:
  - {join: [router, desk], kind: wired}
""")
    assert home.root == "router"
    assert list(home.way_out("desk")) == ["router"]
    assert list(home.way_out("router")) == []
