from support.homes import alder, home_of
from whichhop.compare.suspects.elements import OWN_TRAFFIC, elements_of, judged
from whichhop.model import Cause, Method, Session, SessionKey, derive_sessions


def columns(home, sessions=None):
    sessions = derive_sessions(home) if sessions is None else sessions
    return {e.name: {str(sessions[i].key) for i in e.column} for e in elements_of(home, sessions)}


def test_a_link_is_crossed_by_the_sessions_whose_path_holds_it():
    found = columns(alder())
    assert found["study/router"] == {
        "study>router:echo",
        "study>provider-edge:echo",
        "study>harbour:stamp",
        "study>attic:stamp",
        "study>desk:stamp",
        "attic>study:stamp",
        "desk>study:stamp",
    }


def test_own_traffic_has_the_access_links_column():
    found = columns(alder())
    assert found[OWN_TRAFFIC] == found["modem/provider-edge"]
    assert {key.split(">")[1].split(":")[0] for key in found[OWN_TRAFFIC]} == {"provider-edge", "harbour"}


def test_a_host_is_crossed_by_its_own_sessions_only():
    assert {key.split(">")[0] for key in columns(alder())["host:desk"]} == {"desk"}


def test_air_is_an_element_only_where_two_radio_links_meet():
    # At the attic both the wireless hop and the radio backhaul end; at the router only the backhaul.
    found = columns(alder())
    assert found["air:attic"] == found["desk/attic"] | found["attic/router"]
    assert "air:router" not in found


def test_a_peer_is_a_destination_and_a_home_box_a_responder():
    by_name = {e.name: e.cause for e in elements_of(alder(), derive_sessions(alder()))}
    assert by_name["destination:harbour"] is Cause.DESTINATION
    assert by_name["reply:router"] is Cause.RESPONDER
    assert "reply:harbour" not in by_name


def test_a_lookup_session_belongs_to_its_resolver_and_to_no_responder():
    home = alder()
    path = home.path("desk", "router")
    assert path is not None
    key = SessionKey(agent="desk", target="cache", method=Method.LOOKUP)
    found = columns(home, (*derive_sessions(home), Session(key=key, address=None, path=path)))
    assert found["resolver:cache"] == {"desk>cache:lookup"}
    assert "reply:cache" not in found
    assert "desk>cache:lookup" in found["attic/router"]


def test_sessions_under_load_do_not_speak():
    home = alder()
    path = home.path("desk", "router")
    assert path is not None
    loaded = Session(
        key=SessionKey(agent="desk", target="router", method=Method.LOADED), address=None, path=path
    )
    assert judged((loaded,)) == ()


def test_what_a_box_passes_on_is_apart_from_its_own_answers():
    found = columns(alder())
    assert found["forward:attic"] == {key for key in found["attic/router"] if key.startswith("desk>")} | {
        "study>desk:stamp"
    }
    assert found["forward:router"] >= {"desk>study:stamp", "desk>harbour:stamp"}
    assert not any(key.split(">")[1].startswith("router:") for key in found["forward:router"])


def test_a_router_may_route_badly_while_it_joins_the_homes_machines_well():
    found = columns(alder("{kind: modem}", "{kind: modem, address: 192.0.2.254}"))
    assert found["route:router"] == found["router/modem"]
    assert "desk>study:stamp" not in found["route:router"]


def test_an_all_in_one_gateways_way_to_the_line_has_the_lines_column():
    home = home_of(
        """\
home: Alder House
nodes:
  box:   {kind: gateway, address: 192.0.2.1, agent: true}
  desk:  {kind: host, address: 192.0.2.20, agent: true}
  study: {kind: host, address: 192.0.2.30, agent: true}
links:
  - {join: [desk, box], kind: wireless}
  - {join: [study, box], kind: wired}
  - {join: [box, provider-edge], kind: access, medium: cable}
targets: {provider-edge: 198.51.100.1}
"""
    )
    found = columns(home)
    # Its own packets too: the modem is inside.
    assert found["route:box"] == found["box/provider-edge"]
    assert "box>provider-edge:echo" in found["route:box"]


def test_what_one_radio_device_alone_measures_may_be_its_own_dozing():
    text = """\
home: Alder House
nodes:
  router: {kind: router, address: 192.0.2.1}
  desk:   {kind: host, address: 192.0.2.20, agent: true}
links:
  - {join: [desk, router], kind: wireless}
  - {join: [router, provider-edge], kind: access, medium: cable}
targets: {provider-edge: 198.51.100.1, peers: {harbour: {address: 203.0.113.7, stamp: true}}}
"""
    home = home_of(text)
    dozes = {e.name for e in elements_of(home, derive_sessions(home)) if e.dozes}
    assert dozes == {"reply:router", "reply:provider-edge", "destination:harbour", "beyond"}
    assert "destination:harbour" not in {
        e.name for e in elements_of(alder(), derive_sessions(alder())) if e.dozes
    }
