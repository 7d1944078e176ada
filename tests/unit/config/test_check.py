"""A home file becomes a Home, or every complaint at once with file, line, key and remedy."""

from pathlib import Path

import pytest

from support.homes import ALDER_TEXT, alder, home_of
from whichhop.config.check import read_home
from whichhop.errors import ConfigError
from whichhop.model import LinkKind, Medium, derive_sessions

EXAMPLES = sorted((Path(__file__).parents[3] / "configs").glob("*.yaml"))


def test_a_second_line_is_one_mistake_and_not_a_loop_too() -> None:
    second = (
        "  - {join: [router, modem-b], kind: wired}\n"
        "  - {join: [modem-b, provider-edge], kind: access, medium: dsl}\n"
    )
    text = ALDER_TEXT.replace("nodes:\n", "nodes:\n  modem-b: {kind: modem}\n", 1)
    text = text.replace("targets:\n", f"{second}targets:\n", 1)
    with pytest.raises(ConfigError) as caught:
        home_of(text)
    (one,) = caught.value.complaints
    assert "describe each line in a home file of its own" in str(one)


def test_a_node_that_takes_the_word_for_the_lines_far_end_is_told_to_be_called_otherwise() -> None:
    text = ALDER_TEXT.replace("nodes:\n", "nodes:\n  internet: {kind: host}\n", 1)
    with pytest.raises(ConfigError) as caught:
        home_of(text.replace("[modem, provider-edge]", "[modem, internet]", 1))
    assert "call the node internet otherwise" in str(caught.value)


def complaints(old: str, new: str) -> list[str]:
    assert old in ALDER_TEXT
    with pytest.raises(ConfigError) as caught:
        home_of(ALDER_TEXT.replace(old, new, 1))
    return [str(c) for c in caught.value.complaints]


DESK_LINK = "{join: [desk, attic], kind: wireless}"
ROUTER = "router: {kind: router, address: 192.0.2.1}"

BAD = {
    "an unknown key": ("kind: modem}", "kind: modem, colour: red}", 4, "nodes.modem.colour", "unknown key"),
    "a mistyped key": ("stamp: true", "stmap: true", 17, "stmap", "did you mean 'stamp'"),
    "a mistyped kind": ("kind: mesh-node", "kind: mesh-nod", 6, "nodes.attic.kind", "mean 'mesh-node'"),
    "a link to no node": ("[desk, attic]", "[desk, atic]", 10, "links[0].join[1]", "did you mean 'attic'"),
    "a wrong address": ("192.0.2.20", "192.0.2.256", 7, "nodes.desk.address", "not an IPv4 or IPv6 address"),
    "an address used twice": ("192.0.2.30", "192.0.2.20", 8, "nodes.study.address", "is desk's already"),
    "a node joined to nothing": (
        f"  {ROUTER}",
        f"  {ROUTER}\n  shed: {{kind: host}}",
        6,
        "nodes.shed",
        "joined to nothing",
    ),
    "two routers on a cycle": (
        f"  - {DESK_LINK}",
        f"  - {DESK_LINK}\n  - {{join: [desk, router], kind: wireless}}",
        12,
        "links[2]",
        "closes a loop",
    ),
    "a link joined twice": (
        f"  - {DESK_LINK}",
        f"  - {DESK_LINK}\n  - {DESK_LINK}",
        11,
        "links[1]",
        "same two nodes as links[0]",
    ),
    "a link to itself": ("[desk, attic]", "[desk, desk]", 10, "links[0].join", "to itself"),
    "a wireless link between two boxes": (
        "[router, modem], kind: wired",
        "[router, modem], kind: wireless",
        13,
        "links[3].kind",
        "a host at one end",
    ),
    "a backhaul without its medium": (", medium: radio", "", 11, "links[1].medium", "missing"),
    "an access line over a power line": (
        "medium: cable",
        "medium: power-line",
        14,
        "links[4].medium",
        "does not run over power-line",
    ),
    "a reflector without an address": (
        ", address: 192.0.2.20, agent: true",
        ", stamp: true",
        7,
        "nodes.desk.address",
        "stamp is true",
    ),
    "a peer with the router's address": ("203.0.113.7", "192.0.2.1", 17, "harbour.address", "router's"),
    "a peer named as a node": ("harbour:", "desk:", 17, "targets.peers.desk", "the name is taken"),
    "a resolver without a name to ask for": (
        "  provider-edge: 198.51.100.1",
        "  provider-edge: 198.51.100.1\n  resolvers: {names: 198.51.100.53}",
        15,
        "targets",
        "lookup: missing",
    ),
    "a resolver named as a node": (
        "  provider-edge: 198.51.100.1",
        "  resolvers: {desk: 198.51.100.53}\n  lookup: www.example.org",
        16,
        "targets.resolvers.desk",
        "the name is taken",
    ),
    "a name that is none": (
        "  provider-edge: 198.51.100.1",
        "  resolvers: {names: 198.51.100.53}\n  lookup: -bad-.example",
        17,
        "targets.lookup",
        "not a domain name",
    ),
    "a network that is none": (
        "stamp: true}}",
        "stamp: true, clients: [192.0.2.1/24]}}",
        17,
        "targets.peers.harbour.clients[0]",
        "not a network",
    ),
    "clients where nothing answers": (
        "stamp: true}}",
        "clients: [192.0.2.0/24]}}",
        17,
        "targets.peers.harbour.clients",
        "add stamp: true",
    ),
    "counters without an agent": (
        "address: 192.0.2.1}",
        "address: 192.0.2.1, wan_counters: {interface: eth1}}",
        5,
        "nodes.router.wan_counters",
        "agent: true",
    ),
    "a plan in words": ("down_mbps: 100", "down_mbps: fast", 2, "plan.down_mbps", "'fast'"),
    "a thousand with a comma": (
        "down_mbps: 100,",
        "down_mbps: 1,000,",
        2,
        "plan.000",
        "write down_mbps: 1000, the number alone",
    ),
    "a peer that is the machine itself": (
        "203.0.113.7",
        "127.0.0.1",
        17,
        "targets.peers.harbour.address",
        "each agent's own machine",
    ),
    "a peer that is the machine itself by name": (
        "203.0.113.7",
        "localhost",
        17,
        "targets.peers.harbour.address",
        "each agent's own machine",
    ),
    "an agent that every machine is": (
        "192.0.2.20",
        "127.0.0.1",
        7,
        "nodes.desk.address",
        "write the address that it has in the home",
    ),
    "a plan of nothing": ("down_mbps: 100", "down_mbps: 0", 2, "plan.down_mbps", "write a number over 0"),
    "a bare address number": ("192.0.2.20", "192", 7, "nodes.desk.address", "not text"),
    "a truth value in words": ("agent: true}", 'agent: "true"}', 6, "nodes.attic.agent", "write true"),
    "a capital in a name": ("  desk:", "  Desk:", 7, "nodes.Desk", "small letters"),
    "a missing home name": ("home: Alder House\n", "", 1, "home", "missing"),
    "a list where a mapping stands": (
        "plan: {down_mbps: 100, up_mbps: 20}",
        "plan: [1]",
        2,
        "plan",
        "not a map",
    ),
}


@pytest.mark.parametrize("case", BAD.values(), ids=BAD.keys())
def test_a_wrong_file_names_line_key_and_remedy(case: tuple[str, str, int, str, str]) -> None:
    old, new, line, key, words = case
    found = complaints(old, new)
    hits = [c for c in found if c.startswith(f"home.yaml:{line}: ") and key in c and words in c]
    assert hits, found
    assert all("\n" not in c and ";" in c for c in found)


def test_a_homes_zone_is_an_iana_name() -> None:
    assert alder().zone is None
    assert home_of(ALDER_TEXT + "zone: Europe/Lisbon\n").zone == "Europe/Lisbon"
    for wrong in ("Lisbon", "../../etc/passwd", "UTC+1"):
        with pytest.raises(ConfigError, match="not a time zone"):
            home_of(ALDER_TEXT + f"zone: {wrong}\n")


def test_unquoted_quiet_hours_are_taken_and_wrong_ones_refused() -> None:
    good = home_of(ALDER_TEXT + 'limits: {quiet_hours: "22:30-06:15"}\n')
    assert good.limits.quiet_hours == (22 * 60 + 30, 6 * 60 + 15)
    with pytest.raises(ConfigError, match="not a span of hours"):
        home_of(ALDER_TEXT + 'limits: {quiet_hours: "25:00-07:00"}\n')


def test_discovery_without_a_peer_is_refused() -> None:
    text = ALDER_TEXT.replace("provider-edge: 198.51.100.1", "provider-edge: discover")
    assert home_of(text).discover_edge
    without = "\n".join(line for line in text.splitlines() if "peers" not in line)
    with pytest.raises(ConfigError, match=r"add under targets `peers: \{harbour: \{address: HOST\}\}`"):
        home_of(without)


def test_a_peer_alone_lets_the_providers_first_hop_be_found() -> None:
    home = alder("  provider-edge: 198.51.100.1\n")
    assert home.discover_edge
    assert "provider-edge" in {s.key.target for s in derive_sessions(home)}


def test_several_mistakes_are_told_at_once_in_the_order_of_lines() -> None:
    text = ALDER_TEXT.replace("[desk, attic]", "[desk, atic]").replace("192.0.2.30", "192.0.2.20")
    with pytest.raises(ConfigError) as caught:
        home_of(text)
    lines = [c.line for c in caught.value.complaints]
    assert lines == sorted(lines)
    assert {8, 10} <= set(lines)


def test_a_link_points_outwards_however_it_is_written() -> None:
    home = alder("[attic, router]", "[router, attic]")
    link = home.link("attic/router")
    assert (link.near, link.far, link.kind, link.medium) == (
        "attic",
        "router",
        LinkKind.BACKHAUL,
        Medium.RADIO,
    )


def test_a_missing_file_and_a_folder_are_one_clear_line(tmp_path: Path) -> None:
    for path in (tmp_path / "none.yaml", tmp_path):
        with pytest.raises(ConfigError, match="cannot be read") as caught:
            read_home(path)
        assert len(caught.value.complaints) == 1
    (tmp_path / "latin.yaml").write_bytes(b"home: caf\xe9\n")
    with pytest.raises(ConfigError, match="UTF-8"):
        read_home(tmp_path / "latin.yaml")


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.stem)
def test_every_example_home_loads_and_probes_nothing_upstream(path: Path) -> None:
    home = read_home(path)
    sessions = derive_sessions(home)
    assert sessions
    assert all(s.key.target in home.nodes and s.address is not None for s in sessions)
    assert all(link.kind not in (LinkKind.ACCESS, LinkKind.BEYOND) for s in sessions for link in s.path.links)


def test_there_are_five_example_homes() -> None:
    assert len(EXAMPLES) >= 5
