"""An agent is added to a home file as a careful person would: one line each, everything else untouched."""

import difflib
from pathlib import Path

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from whichhop.config.check import check_home
from whichhop.config.home_edit import EditError, NewAgent, with_agent
from whichhop.config.load import load_yaml

NEW = NewAgent(name="guest-room", address="192.0.2.77", joined_to="router", link_kind="wireless")
CONFIGS = sorted((Path(__file__).parents[3] / "configs").glob("*.yaml"))

BLOCK = """\
# my home
home: Alder   # the name
nodes:
  router: {kind: gateway, address: "192.0.2.1"}  # by the door
  desk:
    kind: host
    address: 192.0.2.9   # wired
    agent: true
    # the desk has two screens

# how it is joined
links:
- join: [desk, router]
  kind: wired   # blue cable
- {join: [router, provider-edge], kind: access, medium: cable}
# nothing more
ports: {stamp: 8862}
"""
FLOW = '{home: Alder, nodes: {router: {kind: router, address: "192.0.2.1"}}}'
NO_LINKS = 'home: Alder\nnodes:\n  router: {kind: router, address: "192.0.2.1"}\n# the end'
FLOW_PARTS = """\
home: Alder
nodes: {
  router: {kind: router, address: "192.0.2.1"}, # first
  desk: {kind: host, address: "192.0.2.9", agent: true},
}
links: [{join: [desk, router], kind: wired}]
"""


def _lines_only_added(old: str, new: str) -> list[str]:
    changes = list(difflib.ndiff(old.splitlines(), new.splitlines()))
    assert not [line for line in changes if line.startswith("- ")]
    return [line[2:] for line in changes if line.startswith("+ ")]


def test_two_lines_are_added_and_nothing_else_is_touched() -> None:
    text = with_agent(BLOCK, NEW, "alder.yaml")
    assert _lines_only_added(BLOCK, text) == [
        '  guest-room: {kind: host, address: "192.0.2.77", agent: true}',
        "- {join: [guest-room, router], kind: wireless}",
    ]
    home = check_home(load_yaml(text, "alder.yaml"))
    assert home.nodes["guest-room"].address == "192.0.2.77"
    assert home.link("guest-room/router").kind == "wireless"


@pytest.mark.parametrize("path", CONFIGS, ids=lambda p: p.stem)
def test_every_example_home_takes_one_more(path: Path) -> None:
    old = path.read_text()
    home = check_home(load_yaml(old, path.name))
    server = next(n for n in home.nodes.values() if n.kind in ("router", "gateway"))
    new = NewAgent(name="guest-room", address="192.0.2.77", joined_to=server.name, link_kind="wired")
    text = with_agent(old, new, path.name)
    added = check_home(load_yaml(text, path.name))
    assert set(added.nodes) - set(home.nodes) == {"guest-room"}
    assert len(_lines_only_added(old, text)) == 2


@pytest.mark.parametrize("old", [FLOW, NO_LINKS, FLOW_PARTS, BLOCK.replace("\n", "\r\n")])
def test_other_ways_to_write_it(old: str) -> None:
    text = with_agent(old, NEW, "alder.yaml")
    # PyYAML is the judge: what was there and the new agent, nothing else.
    before, after = yaml.safe_load(old), yaml.safe_load(text)
    assert after["nodes"].pop("guest-room") == {"kind": "host", "address": "192.0.2.77", "agent": True}
    assert after["links"].pop() == {"join": ["guest-room", "router"], "kind": "wireless"}
    assert after == {"links": [], **before}


def test_comments_of_a_file_in_braces_stay() -> None:
    assert "# first" in with_agent(FLOW_PARTS, NEW, "alder.yaml")


def test_what_cannot_be_added_to_is_told_with_the_lines_for_a_person() -> None:
    with pytest.raises(EditError) as told:
        with_agent("home: Alder\nnodes:\nlinks:\n", NEW, "alder.yaml")
    assert 'under nodes: `guest-room: {kind: host, address: "192.0.2.77", agent: true}`' in str(told.value)
    assert "under links: `{join: [guest-room, router], kind: wireless}`" in str(told.value)


def test_a_room_may_be_called_by_typographic_quotes() -> None:
    new = NewAgent(name="guest-room", address=None, joined_to="router", link_kind="wired", room="»Attic«")
    assert 'room: "»Attic«"' in with_agent(FLOW_PARTS, new, "alder.yaml")


@pytest.mark.parametrize("word", ["FALSE", "On", "no", "Null", "y"])
def test_a_room_may_be_called_by_a_word_that_is_no_text_to_yaml(word: str) -> None:
    """By the YAML library, which reads the types `bool` and `null` of YAML 1.1."""
    new = NewAgent(name="guest-room", address=None, joined_to="router", link_kind="wired", room=word)
    text = with_agent(FLOW_PARTS, new, "alder.yaml")
    assert yaml.safe_load(text)["nodes"]["guest-room"]["room"] == word


REMARK = st.sampled_from(["", "  # a: {b", '  # "', "   #- x", "  "])
EMPTY = st.sampled_from(["", "\n", "# alone\n", "   # indented\n"])


@settings(max_examples=60, deadline=None)
@given(
    remarks=st.lists(REMARK, min_size=6, max_size=6),
    between=st.lists(EMPTY, min_size=5, max_size=5),
    nodes_first=st.booleans(),
    indent=st.sampled_from(["", "  ", "    "]),
    room=st.none()
    | st.text(st.characters(codec="utf-8", exclude_categories=["C", "Z"]), min_size=1, max_size=20),
)
def test_whatever_stands_around_the_entries(
    remarks: list[str], between: list[str], nodes_first: bool, indent: str, room: str | None
) -> None:
    nodes = (
        f"nodes:{remarks[0]}\n{between[0]}  router: {{kind: router}}{remarks[1]}\n{between[1]}"
        f"  desk:{remarks[2]}\n    kind: host{remarks[3]}\n{between[2]}"
    )
    links = (
        f"links:{remarks[4]}\n{between[3]}{indent}- {{join: [desk, router], kind: wired}}{remarks[5]}\n"
        f"{between[4]}"
    )
    old = "home: x\n" + (nodes + links if nodes_first else links + nodes)
    new = NewAgent(name="guest-room", address="2001:db8::7", joined_to="router", link_kind="wired", room=room)
    text = with_agent(old, new, "x.yaml")
    after = yaml.safe_load(text)
    assert after["nodes"]["guest-room"].get("room") == room
    assert after["links"][-1]["join"] == ["guest-room", "router"]
    assert len(_lines_only_added(old, text)) == 2
