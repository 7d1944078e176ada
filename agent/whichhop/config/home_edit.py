"""Adds an agent to a home file's text: what a person wrote stays as it is, letter by letter, comments too.

The text is never written anew from data. Where the new lines go is read off the places that the YAML library
names, and the result is read again: it must say what the old text said and the new agent, or nothing is done.
"""

import copy
from typing import Any

import yaml
from msgspec import Struct

from whichhop.config.load import load_yaml
from whichhop.errors import ConfigError, WhichhopError


class EditError(WhichhopError):
    """The file cannot be added to by a program; the text holds the lines for a person to add."""


class NewAgent(Struct, frozen=True, kw_only=True):
    """An agent to be written down. joined_to: the node at the other end of its link.

    kind, link_kind, medium: words of model/links.py.
    """

    name: str
    address: str | None
    joined_to: str
    link_kind: str
    kind: str = "host"
    medium: str | None = None
    room: str | None = None

    def node_data(self) -> dict[str, Any]:
        """Its entry under `nodes`."""
        data: dict[str, Any] = {"kind": self.kind}
        if self.address is not None:
            data["address"] = self.address
        data["agent"] = True
        if self.room is not None:
            data["room"] = self.room
        return data

    def link_data(self) -> dict[str, Any]:
        """Its entry under `links`."""
        data: dict[str, Any] = {"join": [self.name, self.joined_to], "kind": self.link_kind}
        return data if self.medium is None else data | {"medium": self.medium}


NO_TEXT = frozenset({"true", "false", "yes", "no", "on", "off", "y", "n", "null"})
"""Words that are no text to YAML 1.1 (its types `bool` and `null`): a room or a machine may be called so."""


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _flow(value: Any) -> str:
    """Plain data on one line; texts are quoted unless they are words of this file's own."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key}: {_flow(part)}" for key, part in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_flow, value)) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    word = value.isascii() and value.replace("-", "").isalpha() and value.lower() not in NO_TEXT
    return str(value) if word else _quoted(str(value))


def lines_to_add(new: NewAgent) -> str:
    """What a person would add, in words."""
    return f"under nodes: `{new.name}: {_flow(new.node_data())}`, under links: `{_flow(new.link_data())}`"


def _end(node: yaml.Node) -> int:
    """Where a node's text ends: a block collection's own mark is past the comments that follow it."""
    while isinstance(node, yaml.CollectionNode) and not node.flow_style and node.value:
        last = node.value[-1]
        node = last[1] if isinstance(last, tuple) else last
    return int(node.end_mark.index)


def _put_line(text: str, after: int, line: str) -> str:
    """A line of its own behind the one in which `after` stands."""
    end = text.find("\n", after)
    if end < 0:
        return f"{text}\n{line}\n"
    return f"{text[: end + 1]}{line}\n{text[end + 1 :]}"


def _added(text: str, whole: yaml.CollectionNode, entry: str) -> str:
    """One more entry at the end of a collection of the text, in the way the others are written."""
    if whole.flow_style:
        closing = int(whole.end_mark.index) - 1
        if not whole.value:
            return f"{text[:closing]}{entry}{text[closing:]}"
        last = _end_of_entry(whole)
        return f"{text[:last]}, {entry}{text[last:]}"  # a comma that stood last stays last
    first = whole.value[0]
    start = first[0] if isinstance(first, tuple) else whole
    indent = " " * int(start.start_mark.column)
    dash = "" if isinstance(first, tuple) else "- "
    return _put_line(text, _end_of_entry(whole), f"{indent}{dash}{entry}")


def _end_of_entry(whole: yaml.CollectionNode) -> int:
    last = whole.value[-1]
    return max(_end(last[0]), _end(last[1])) if isinstance(last, tuple) else _end(last)


def _part(text: str, key: str) -> yaml.CollectionNode | None:
    """The mapping or sequence under a key at the top."""
    root = yaml.compose(text, Loader=yaml.SafeLoader)
    assert isinstance(root, yaml.MappingNode)  # noqa: S101 - the text was read as a home file before
    for name, value in root.value:
        if name.value == key and isinstance(value, yaml.CollectionNode):
            return value
    return None


def _with_links(text: str, entry: str) -> str:
    links = _part(text, "links")
    if links is not None:
        return _added(text, links, entry)
    root = yaml.compose(text, Loader=yaml.SafeLoader)
    assert isinstance(root, yaml.MappingNode)  # noqa: S101 - as above
    if root.flow_style:
        return _added(text, root, f"links: [{entry}]")
    return _put_line(text, _end_of_entry(root), f"links:\n  - {entry}")


def with_agent(text: str, new: NewAgent, file: str) -> str:
    """The home file's text with one more agent and its link. file: its name, for complaints.

    EditError with the lines to add by hand where the file is written in a way that cannot be added to.
    ConfigError where `text` is no YAML to begin with.
    """
    before = load_yaml(text, file).data
    wanted = copy.deepcopy(before)
    try:
        wanted["nodes"][new.name] = new.node_data()
        wanted.setdefault("links", []).append(new.link_data())
        nodes = _part(text, "nodes")
        assert nodes is not None  # noqa: S101 - a home file has nodes
        changed = _added(text, nodes, f"{new.name}: {_flow(new.node_data())}")
        changed = _with_links(changed, _flow(new.link_data()))
        right = load_yaml(changed, file).data == wanted
    except (AssertionError, AttributeError, KeyError, TypeError, ConfigError, yaml.YAMLError):
        right = False
    if not right:
        raise EditError(f"{file}: is written in a way that no program should change; add {lines_to_add(new)}")
    return changed
