"""Every pair of nodes reaches each other by the planned routes, inside the documentation blocks only."""

import ipaddress
from pathlib import Path

import pytest
from msgspec.structs import replace

from whichhop.config.check import check_home, read_home
from whichhop.config.load import load_yaml
from whichhop.errors import DataError
from whichhop.lab.build.addressing import Addressing, plan_addresses
from whichhop.lab.links.elements import as_built
from whichhop.lab.standard_home import HOME_FILE, alder_home
from whichhop.model import BEYOND, Home

TOP = Path(__file__).parents[4]
PEERS = """\
targets:
  provider-edge: 203.0.113.1
  peers: {harbour: {address: 198.51.100.7}, quay: {address: 198.51.100.9}}
"""


def example_homes() -> list[Home]:
    homes = [alder_home()]
    for file in sorted((TOP / "configs").glob("*.yaml")):
        homes.append(read_home(file))
        text = "".join(
            line for line in file.read_text().splitlines(keepends=True) if not line.startswith("#")
        )
        if "targets:" not in text:
            homes.append(check_home(load_yaml(text + PEERS, file.name)))
    return homes


HOMES = [pytest.param(as_built(h), id=f"{h.name}-{len(h.nodes)}") for h in example_homes()]


def follow(plan: Addressing, start: str, end: str, address: ipaddress.IPv4Address) -> list[str]:
    """The routing nodes that a packet meets, walked by each node's own table: longest prefix first."""
    met = [start]
    while met[-1] != end:
        here = met[-1]
        assert len(met) < 10, f"a routing loop: {met}"
        if any(address in net.net4 for net in plan.of(here)):
            return [*met, end]
        hops = [h for h in plan.routes[here] if h.to is None or address in h.to.net4]
        best = max(hops, key=lambda h: -1 if h.to is None else h.to.net4.prefixlen)
        assert best.neighbour in best.by.addresses
        met.append(best.neighbour)
    return met


@pytest.mark.parametrize("home", HOMES)
def test_every_node_reaches_every_address_of_every_other(home: Home) -> None:
    plan = plan_addresses(home)
    for start in home.nodes:
        for end in home.nodes:
            path = home.path(start, end)
            assert path is not None
            for net in plan.of(end):
                met = follow(plan, start, end, net.addresses[end][0])
                assert set(met) <= set(path.nodes)


@pytest.mark.parametrize("home", HOMES)
def test_only_documentation_addresses_are_used_and_each_once(home: Home) -> None:
    # RFC 5737 section 3 and RFC 3849 section 2.
    blocks4 = [ipaddress.ip_network(n) for n in ("192.0.2.0/24", "198.51.100.0/24", "203.0.113.0/24")]
    block6 = ipaddress.ip_network("2001:db8::/32")
    plan = plan_addresses(home)
    all4 = [a4 for net in plan.networks for a4, _ in net.addresses.values()]
    all6 = [a6 for net in plan.networks for _, a6 in net.addresses.values()]
    assert all(any(a in b for b in blocks4) for a in all4)
    assert all(a in block6 for a in all6)
    assert len(set(all4)) == len(all4)
    assert len(set(all6)) == len(all6)
    hard = [net.hardware(n) for net in plan.networks for n in net.addresses]
    assert len(set(hard)) == len(hard)
    # IEEE 802: second-lowest bit of the first octet set, lowest clear: locally administered, one station.
    assert all(int(h[:2], 16) & 3 == 2 for h in hard)


@pytest.mark.parametrize("home", HOMES)
def test_a_node_keeps_the_address_that_its_home_file_gives(home: Home) -> None:
    plan = plan_addresses(home)
    for name, node in home.nodes.items():
        if node.address is not None:
            assert node.address in {str(net.addresses[name][0]) for net in plan.of(name)}


def test_the_standard_home_has_one_network_a_side() -> None:
    plan = plan_addresses(as_built(alder_home()))
    assert [str(n.net4) for n in plan.networks] == [
        "192.0.2.0/25",
        "192.0.2.252/30",
        "203.0.113.0/30",
        "198.51.100.0/24",
    ]
    assert set(plan.networks[0].addresses) == {"desk", "attic", "study", "router"}
    assert BEYOND in plan.networks[3].addresses


def test_an_address_outside_the_emulated_network_is_refused_by_name() -> None:
    home = check_home(load_yaml(HOME_FILE.replace("192.0.2.20", "10.0.0.20"), "x"))
    with pytest.raises(DataError, match=r"desk: address 10\.0\.0\.20"):
        plan_addresses(as_built(home))


def test_an_address_given_twice_is_refused_by_name() -> None:
    home = as_built(alder_home())
    nodes = {**home.nodes, "study": replace(home.nodes["study"], address="192.0.2.20")}
    with pytest.raises(DataError, match=r"192\.0\.2\.20 is given twice"):
        plan_addresses(replace(home, nodes=nodes))


@pytest.mark.parametrize(
    ("edge", "peer", "line"),
    [
        ("203.0.113.1", "198.51.100.7", "203.0.113.0/30"),
        ("198.51.100.1", "203.0.113.1", "198.51.100.0/30"),
        ("198.51.100.1", "198.51.100.7", "203.0.113.0/30"),
        ("203.0.113.66", "198.51.100.7", "203.0.113.64/30"),
    ],
)
def test_upstream_networks_are_chosen_so_that_the_stated_addresses_fit(
    edge: str, peer: str, line: str
) -> None:
    text = HOME_FILE.replace("provider-edge: 203.0.113.1", f"provider-edge: {edge}")
    home = as_built(check_home(load_yaml(text.replace("198.51.100.7", peer), "x")))
    plan = plan_addresses(home)
    assert line in {str(net.net4) for net in plan.networks}
    assert edge in {str(net.addresses["provider-edge"][0]) for net in plan.of("provider-edge")}
    assert str(plan.main4("harbour")) == peer


def test_a_modem_addressed_inside_the_home_network_is_refused_by_name() -> None:
    home = check_home(load_yaml(HOME_FILE.replace("192.0.2.254", "192.0.2.9"), "x"))
    with pytest.raises(DataError, match=r"modem's address 192\.0\.2\.9 lies among the home's own"):
        plan_addresses(as_built(home))


@pytest.mark.parametrize("modem", ["192.168.100.1", "192.168.1.254", ""])
def test_a_home_is_built_with_the_users_own_addresses(modem: str) -> None:
    """RFC 1918 addresses as homes have them; a modem's usual one is in a network of its own."""
    text = HOME_FILE.replace("192.0.2.254", modem).replace("address: ,", "").replace("192.0.2.", "192.168.1.")
    text = text.replace(", address: }", "}")
    home = as_built(check_home(load_yaml(text, "x")))
    plan = plan_addresses(home)
    assert str(plan.main4("desk")) == home.nodes["desk"].address == "192.168.1.20"
    if modem:
        assert modem in {str(net.addresses["modem"][0]) for net in plan.of("modem")}
    for start in ("desk", "study"):
        end = plan.main4("harbour")
        assert follow(plan, start, "harbour", end)[-1] == "harbour"


SIX = {
    "router:": ("192.0.2.1", "2001:db8:0:5::1"),
    "attic": ("192.0.2.2,", '"2001:db8:0:5::2",'),
    "desk": ("192.0.2.20", '"2001:db8:0:5:a:b:c:d"'),
    "study": ("192.0.2.30", '"2001:db8:0:5::30"'),
    "edge": ("203.0.113.1", '"2001:db8:0:77::1"'),
    "peer": ("198.51.100.7", '"2001:db8:0:99::7"'),
}


def in_six(*names: str, **others: str) -> Home:
    text = HOME_FILE.replace(", clients: [192.0.2.0/24]", "")
    for name in names:
        old, new = SIX[name]
        text = text.replace(old, others.get(name.rstrip(":"), new), 1)
    if "fe80" in text:  # a router known by such an address alone runs no agent
        text = text.replace("    agent: true\n    wan_counters: {interface: to-modem}\n", "")
    return as_built(check_home(load_yaml(text, "x")))


@pytest.mark.parametrize(
    "home",
    [
        in_six(*SIX),
        in_six("desk"),
        in_six("desk", "peer"),
        in_six("router:"),
        in_six(*SIX, router="fe80::1"),
        in_six("desk", "attic", "router:", router="fe80::1"),
        # The block that the first network would have had, were it not stated elsewhere (RFC 3849).
        in_six("edge", "peer", edge='"2001:db8:0:1::1"', peer='"2001:db8:0:2::7"'),
        # An edge that is known by its address on the peers' side; addresses of RFC 4193.
        in_six("edge", "peer", edge='"2001:db8:0:99::1"'),
        in_six("desk", "attic", desk='"fd00:0:0:7::20"', attic='"fd00:0:0:7::2",'),
    ],
    ids=lambda home: ",".join(n.address for n in home.nodes.values() if n.address and ":" in n.address),
)
def test_a_home_of_ipv6_is_built_with_the_users_own_addresses(home: Home) -> None:
    plan = plan_addresses(home)
    for node in home.nodes.values():
        own = {str(a) for net in plan.of(node.name) for a in net.addresses[node.name]}
        own |= {str(net.link_local[node.name]) for net in plan.of(node.name) if node.name in net.link_local}
        assert node.address is None or node.address in own
    all6 = [a6 for net in plan.networks for _, a6 in net.addresses.values()]
    assert len(set(all6)) == len(all6)
    assert len({net.net6 for net in plan.networks}) == len(plan.networks)
    assert all(a6 in net.net6 for net in plan.networks for _, a6 in net.addresses.values())


def test_ipv6_addresses_that_cannot_be_emulated_are_refused_by_name() -> None:
    with pytest.raises(DataError, match="study: address 2001:db8:0:6::30 is outside 2001:db8:0:5::/64"):
        plan_addresses(in_six(*SIX, study='"2001:db8:0:6::30"'))
