"""Sessions follow from the home: the way out, the anchors, the other agents."""

from support.homes import alder
from whichhop.model import Method, derive_sessions


def test_each_agent_probes_its_way_out_the_anchors_and_the_other_agents() -> None:
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
