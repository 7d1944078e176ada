"""The built home has a real link for everything the home file only implies."""

from msgspec.structs import replace

from whichhop.lab.links.elements import as_built, peer_wire
from whichhop.lab.standard_home import alder_home
from whichhop.model import BEYOND


def test_every_link_joins_two_nodes_and_all_nodes_are_one_tree() -> None:
    home = as_built(alder_home())
    assert all(link.near in home.nodes and link.far in home.nodes for link in home.links)
    assert len(home.links) == len(home.nodes) - 1
    assert all(home.path("desk", name) is not None for name in home.nodes)


def test_links_of_the_home_file_keep_their_names_and_each_peer_gets_a_wire() -> None:
    home = alder_home()
    names = [link.name for link in as_built(home).links]
    assert names == [*(link.name for link in home.links), peer_wire("harbour")]
    path = as_built(home).path("provider-edge", "harbour")
    assert path is not None
    assert [link.name for link in path.links] == [BEYOND, peer_wire("harbour")]


def test_a_home_that_names_no_peer_is_built_as_written() -> None:
    home = alder_home()
    nodes = {n: node for n, node in home.nodes.items() if n != "harbour"}
    bare = replace(home, nodes=nodes, links=home.links[:-1], peers=())
    assert as_built(bare) == bare
