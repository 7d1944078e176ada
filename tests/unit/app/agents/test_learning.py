"""What another agent says of new agents is taken over as two lines, and nothing beyond it."""

import pytest
from msgspec.structs import replace

from support.homes import alder
from whichhop.app.agents.learning import Told, joined_since
from whichhop.model import Home
from whichhop.outside import typed


def told(address: str | None, *, far: str = "router", agent: bool = True) -> Told:
    where = "null" if address is None else f'"{address}"'
    return typed(
        f'{{"nodes": [{{"name": "shed", "kind": "host", "agent": {str(agent).lower()}, "address": {where}}}],'
        f' "links": [{{"near": "shed", "far": "{far}", "kind": "wired", "medium": "ethernet"}}]}}',
        "desk",
        Told,
    )


def test_an_agent_is_taken_over_with_its_link() -> None:
    found, refused = joined_since(alder(), told("192.0.2.77"))
    assert [(n.name, n.address, n.joined_to, n.link_kind, n.medium) for n in found] == [
        ("shed", "192.0.2.77", "router", "wired", None)
    ]
    assert refused == []


@pytest.mark.parametrize("address", ["10.1.2.3", "192.168.7.7", "172.16.0.9", "fd00::7", "fe80::7"])
def test_private_addresses_are_taken(address: str) -> None:
    # RFC 1918, RFC 4193, RFC 4291 2.5.6.
    assert len(joined_since(alder(), told(address))[0]) == 1


@pytest.mark.parametrize("address", ["9.9.9.9", "2606:4700::1", "224.0.0.251", "ff02::fb", "no address"])
def test_what_stands_elsewhere_is_refused_and_named(address: str) -> None:
    found, refused = joined_since(alder(), told(address))
    assert found == []
    assert refused == [f"shed at {address} is in none of this home's networks"]


def test_nodes_without_an_agent_and_known_ones_are_passed_over() -> None:
    assert joined_since(alder(), told("192.0.2.77", agent=False)) == ([], [])
    home: Home = alder()
    desk = home.agents[0]
    has_it = replace(home, nodes={**home.nodes, "shed": replace(desk, name="shed")})
    assert joined_since(has_it, told("192.0.2.77")) == ([], [])


def test_what_hangs_on_an_unknown_node_is_named() -> None:
    found, refused = joined_since(alder(), told("192.0.2.77", far="cellar"))
    assert found == []
    assert refused == ["shed is joined to a node that this file has not"]
