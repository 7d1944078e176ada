"""What the trade calls things is taken, and one word is stored for each."""

import copy
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.homes import ALDER_TEXT, home_of
from whichhop.config.check import check_home
from whichhop.config.in_own_words import in_own_words
from whichhop.config.load import load_yaml
from whichhop.config.reference import all_keys
from whichhop.config.trade_words import ACCESS, INSIDE, NODES
from whichhop.model import Home, LinkKind, Medium, NodeKind

# The words are the trade's own (common practice: shops, makers' sheets, providers' pages).
HOSTS = ["pc", "PC", "laptop", "NAS", "console", "phone", "Gaming PC", "smart TV", "set-top box"]
BOXES = {
    "ap": NodeKind.ACCESS_POINT,
    "Access Point": NodeKind.ACCESS_POINT,
    "mesh": NodeKind.MESH_NODE,
    "mesh_node": NodeKind.MESH_NODE,
    "cable modem": NodeKind.MODEM,
    "ONT": NodeKind.MODEM,
    "Wi-Fi router": NodeKind.ROUTER,
}


def garage(kind: str, *, node: str = "access-point", medium: str = "") -> Home:
    over = f", medium: {medium}" if medium else ""
    text = ALDER_TEXT.replace("  study:", f"  garage: {{kind: {node}}}\n  study:").replace(
        "  - {join: [study", f"  - {{join: [garage, router], kind: {kind}{over}}}\n  - {{join: [study"
    )
    return home_of(text)


def line(kind: str, medium: str = "", end: str = "provider-edge") -> Home:
    over = f", medium: {medium}" if medium else ""
    written = f"{{join: [modem, {end}], kind: {kind}{over}}}"
    return home_of(ALDER_TEXT.replace("{join: [modem, provider-edge], kind: access, medium: cable}", written))


@pytest.mark.parametrize("word", HOSTS)
def test_what_stands_on_a_desk_is_a_host(word: str) -> None:
    home = home_of(
        ALDER_TEXT.replace("kind: host, address: 192.0.2.20", f"kind: {word}, address: 192.0.2.20")
    )
    assert home.nodes["desk"].kind is NodeKind.HOST


@pytest.mark.parametrize(("word", "kind"), BOXES.items())
def test_boxes_have_their_trade_names(word: str, kind: NodeKind) -> None:
    data = in_own_words({"nodes": {"box": {"kind": word}}})
    assert data["nodes"]["box"]["kind"] == kind


@pytest.mark.parametrize("word", ["wifi", "Wi-Fi", "wireless", "WLAN"])
def test_radio_to_a_host_is_a_wireless_link_and_between_boxes_a_backhaul(word: str) -> None:
    home = home_of(ALDER_TEXT.replace("kind: wireless", f"kind: {word}"))
    assert home.link("desk/attic").kind is LinkKind.WIRELESS
    home = home_of(ALDER_TEXT.replace("kind: backhaul, medium: radio", f"kind: {word}"))
    link = home.link("attic/router")
    assert (link.kind, link.medium) == (LinkKind.BACKHAUL, Medium.RADIO)


@pytest.mark.parametrize("word", ["ethernet", "cable", "wired", "Cat6", "LAN"])
def test_a_cable_in_the_home_is_wired(word: str) -> None:
    home = home_of(ALDER_TEXT.replace("[study, router], kind: wired", f"[study, router], kind: {word}"))
    assert (home.link("study/router").kind, home.link("study/router").medium) == (
        LinkKind.WIRED,
        Medium.ETHERNET,
    )


@pytest.mark.parametrize(
    ("word", "medium"),
    [
        ("powerline", "power-line"),
        ("power-line", "power-line"),
        ("PLC", "power-line"),
        ("MoCA", "coax"),
        ("coax", "coax"),
        ("ethernet backhaul", "ethernet"),
    ],
)
def test_a_medium_named_as_the_kind_is_a_backhaul_over_it(word: str, medium: str) -> None:
    link = garage(word).link("garage/router")
    assert (link.kind, link.medium) == (LinkKind.BACKHAUL, medium)


def test_a_pair_of_adapters_joins_any_machine_to_the_router() -> None:
    for kind in ("pc", "switch"):
        link = garage("powerline", node=kind).link("garage/router")
        assert (link.kind, link.medium) == (LinkKind.BACKHAUL, Medium.POWER_LINE)


@pytest.mark.parametrize(
    ("word", "medium"),
    [
        ("cable", "cable"),
        ("coax", "cable"),
        ("DOCSIS", "cable"),
        ("fiber", "fibre"),
        ("FTTH", "fibre"),
        ("VDSL", "dsl"),
        ("satellite", "satellite"),
        ("5G", "fixed-wireless"),
    ],
)
def test_a_line_is_known_by_what_it_runs_over(word: str, medium: str) -> None:
    assert line(word).link("modem/provider-edge").medium == medium
    assert line("access", word).link("modem/provider-edge").medium == medium
    assert line("internet", word, "internet").link("modem/provider-edge").medium == medium


def test_the_far_end_of_the_line_is_the_internet_unless_a_node_is_called_so() -> None:
    data = {"nodes": {"wan": {"kind": "router"}}, "links": [{"join": ["wan", "internet"], "kind": "fiber"}]}
    assert in_own_words(data)["links"][0]["join"] == ["wan", "provider-edge"]


def test_coax_feet_and_radio_generations() -> None:
    equipment = "equipment: {attic: {radio: Wi-Fi 6, adapter: MoCA 2.5}}\n"
    cabling = "cabling:\n  - {tap: [{mhz: 100, dbmv: 10}]}\n  - {cable: RG-6 quad, length_ft: 100}\n"
    located = load_yaml(ALDER_TEXT + equipment + cabling, "home.yaml")
    check_home(located)
    assert located.data["equipment"]["attic"]["radio"] == "Wi-Fi 6", "what was written stays as it is"
    data = in_own_words(located.data)
    assert data["equipment"]["attic"] == {"radio": "802.11ax", "adapter": "coax-2500"}
    assert data["cabling"][1]["cable"] == "rg-6"


def test_a_foot_is_30_48_centimetres() -> None:
    # NIST SP 811 (2008), appendix B.8: 1 ft = 0.3048 m
    from whichhop.config.house import build_run
    from whichhop.config.schema import HomeFile

    data = load_yaml(ALDER_TEXT, "x").data
    data["cabling"] = [{"tap": [{"mhz": 100, "dbmv": 10}]}, {"cable": "rg-6", "length_ft": 100}]
    run = build_run(HomeFile.model_validate(in_own_words(data)))
    assert run is not None
    assert run.parts[0].length_m == pytest.approx(30.48)  # type: ignore[union-attr]


@pytest.mark.parametrize(
    "peers",
    [
        "harbour.example.net",
        "[harbour.example.net]",
        "{harbour: harbour.example.net}",
        "{harbour: {address: Harbour.Example.NET}}",
    ],
)
def test_a_target_may_be_written_as_its_host_name_alone(peers: str) -> None:
    home = home_of(ALDER_TEXT.replace("{harbour: {address: 203.0.113.7, stamp: true}}", peers))
    (peer,) = home.peers
    assert (peer, home.nodes[peer].host_name, home.nodes[peer].address) == (
        "harbour",
        "harbour.example.net",
        None,
    )


def test_two_targets_of_one_label_get_two_names() -> None:
    peers = in_own_words({"targets": {"peers": ["a.example.net", "a.example.org", "192.0.2.1", "9.example"]}})
    assert list(peers["targets"]["peers"]) == ["a", "a-2", "target", "target-9"]


def test_every_word_that_the_reference_shows_is_taken() -> None:
    for key in all_keys():
        for stored, others in key.words.items():
            for word in (stored, *others):
                if " over " in stored and word == stored:
                    continue
                assert _accepted(key.path, word), (key.path, word)


def _accepted(path: str, word: str) -> bool:
    if path == "nodes.NAME.kind":
        return in_own_words({"nodes": {"a": {"kind": word}}})["nodes"]["a"]["kind"] in NODES.stored
    data: dict[str, Any] = {"nodes": {"a": {"kind": "mesh-node"}, "b": {"kind": "router"}}}
    if path == "links[].kind":
        data["links"] = [{"join": ["a", "b"], "kind": word}]
        link = in_own_words(data)["links"][0]
        return link["kind"] in set(LinkKind)
    if path == "links[].medium":
        found = []
        for kind, words in (("access", ACCESS), ("backhaul", INSIDE)):
            data["links"] = [{"join": ["a", "b"], "kind": kind, "medium": word}]
            found.append(in_own_words(copy.deepcopy(data))["links"][0]["medium"] in words.stored)
        return any(found)
    part, _, key = path.replace("[]", "").replace(".NAME", "").partition(".")
    entry = {key: word}
    data[part] = {"a": entry} if part == "equipment" else [entry]
    in_own_words(data)
    return entry[key] in {w for k in all_keys() if k.path == path for w in k.words}


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["nodes", "links", "kind", "join", "targets", "peers", "a"]), inner)
    ),
    max_leaves=12,
)


@given(JSON)
def test_nothing_makes_it_fail_and_what_is_stored_stays(data: Any) -> None:
    once = in_own_words(copy.deepcopy(data))
    assert in_own_words(copy.deepcopy(once)) == once
