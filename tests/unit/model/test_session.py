"""Sessions follow from the home: the way out, the peers, the other agents."""

import pytest

from support.homes import alder, home_of
from whichhop.model import Home, Method, call_sessions, derive_sessions


def test_each_agent_probes_its_way_out_the_peers_and_the_other_agents() -> None:
    keys = {str(s.key) for s in derive_sessions(alder())}
    assert {k for k in keys if k.startswith("desk>")} == {
        "desk>attic:stamp",
        "desk>router:echo",
        "desk>provider-edge:echo",
        "desk>harbour:stamp",
        "desk>study:stamp",
    }
    assert {k for k in keys if k.startswith("study>")} == {
        "study>router:echo",
        "study>provider-edge:echo",
        "study>harbour:stamp",
        "study>attic:stamp",
        "study>desk:stamp",
    }


def test_a_node_without_an_address_is_not_probed() -> None:
    assert not any(s.key.target == "modem" for s in derive_sessions(alder()))


def test_a_provider_edge_to_be_discovered_waits_without_an_address() -> None:
    home = alder("provider-edge: 198.51.100.1", "provider-edge: discover")
    waiting = [s for s in derive_sessions(home) if s.key.target == "provider-edge"]
    assert len(waiting) == 3
    assert all(s.address is None and s.key.method is Method.ECHO for s in waiting)


def test_resolvers_are_asked_by_every_agent_over_the_way_to_where_they_stand() -> None:
    home = alder(
        "  provider-edge: 198.51.100.1",
        "  provider-edge: 198.51.100.1\n"
        "  resolvers: {names: 198.51.100.53, own: 192.0.2.1}\n  lookup: www.example.org",
    )
    asked = {str(s.key): s for s in derive_sessions(home) if s.key.method is Method.LOOKUP}
    assert set(asked) == {f"{a}>{r}:lookup" for a in ("attic", "desk", "study") for r in ("names", "own")}
    assert [k.name for k in asked["study>own:lookup"].path.links] == ["study/router"]
    assert asked["study>names:lookup"].path.nodes[-1] == "provider-edge"


def test_call_streams_go_upstream_only() -> None:
    keys = {str(s.key) for s in call_sessions(alder())}
    assert keys == {f"{a}>{t}:call" for a in ("attic", "desk", "study") for t in ("harbour", "provider-edge")}


def test_a_peer_that_filters_echo_is_reached_by_tcp_and_spared_call_streams() -> None:
    home = alder("stamp: true}}", "tcp_port: 443}}")
    assert "desk>harbour:tcp-connect" in {str(s.key) for s in derive_sessions(home)}
    assert not any(s.key.target == "harbour" for s in call_sessions(home))


def test_the_tree_is_walked_once_an_agent_however_many_sessions_follow(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A chain of forty agents once had it built for each of 1,600 sessions: `check` took a minute."""
    names = [f"n{i}" for i in range(40)]
    nodes = "".join(
        f"  {name}: {{kind: mesh-node, address: 192.0.2.{i + 10}, agent: true}}\n"
        for i, name in enumerate(names)
    )
    links = "".join(
        f"  - {{join: [{near}, {far}], kind: backhaul, medium: radio}}\n"
        for near, far in zip(names, ["router", *names], strict=False)
    )
    router = "  router: {kind: router, address: 192.0.2.1}\n"
    home = home_of(f"home: A chain\nnodes:\n{router}{nodes}links:\n{links}")
    walks = 0
    neighbours = Home.neighbours

    def counted(self: Home) -> object:
        nonlocal walks
        walks += 1
        return neighbours(self)

    monkeypatch.setattr(Home, "neighbours", counted)
    sessions = derive_sessions(home)
    # Each to the router, the others, and for all of them the way out lies among the others: 40 * (39 + 1).
    assert len(sessions) == 1600
    assert walks == 40
