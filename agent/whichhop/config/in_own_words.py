"""A home file's data with the trade's words exchanged for the ones that are stored; what is unknown stays."""

import re
from collections.abc import Mapping
from ipaddress import ip_address
from typing import Any

from whichhop.config.trade_words import (
    ACCESS,
    ADAPTERS,
    CABLES,
    EDGE,
    INSIDE,
    LEGS,
    LINES_OVER,
    LINKS,
    LINKS_OVER,
    NODES,
    RADIOS,
    TERMINALS,
    Words,
    folded,
)
from whichhop.model import PROVIDER_EDGE, LinkKind, Medium, NodeKind

MOST_PARTS = 2_000
"""Entries of a part that are looked at; a file with more is refused for its size."""
_EDGE = {folded(word) for word in EDGE}
_RELAYS = (NodeKind.MESH_NODE, NodeKind.ACCESS_POINT)
_BOXES = (*_RELAYS, NodeKind.ROUTER, NodeKind.GATEWAY)


def _mapping(data: Any, key: str) -> dict[str, Any]:
    found = data.get(key) if isinstance(data, dict) else None
    return found if isinstance(found, dict) else {}


def _list(data: Any, key: str) -> list[Any]:
    found = data.get(key) if isinstance(data, dict) else None
    return found[:MOST_PARTS] if isinstance(found, list) else []


def _swap(part: Any, key: str, words: Words) -> None:
    if isinstance(part, dict) and (own := words.own(part.get(key))) is not None:
        part[key] = own


def _node_kinds(data: dict[str, Any]) -> dict[str, str]:
    kinds = {}
    for name, node in list(_mapping(data, "nodes").items())[:MOST_PARTS]:
        _swap(node, "kind", NODES)
        if isinstance(node, dict):
            kinds[name] = str(node.get("kind"))
    return kinds


def _ends(link: dict[str, Any], kinds: Mapping[str, str]) -> list[str]:
    """The link's ends, with the provider's side under its own name unless a node is called so."""
    join = link.get("join")
    if not isinstance(join, list):
        return []
    for i, end in enumerate(join):
        if isinstance(end, str) and end not in kinds and folded(end) in _EDGE:
            join[i] = PROVIDER_EDGE
    return [end for end in join if isinstance(end, str)]


def _ways(part: Any) -> None:
    """`2-way` is a splitter's usual name."""
    if isinstance(part, dict) and isinstance(word := part.get("splitter"), str):
        found = re.fullmatch(r"\s*(\d{1,2})\s*[- ]?\s*ways?\s*", word.lower())
        if found:
            part["splitter"] = int(found[1])


def _link(link: Any, kinds: Mapping[str, str]) -> None:
    if not isinstance(link, dict):
        return
    ends = _ends(link, kinds)
    word, to_provider = link.get("kind"), PROVIDER_EDGE in ends
    line, over = LINES_OVER.own(word), LINKS_OVER.own(word)
    kind = LINKS.own(word)
    medium = None
    if to_provider and ACCESS.own(word) not in (None, "unknown"):
        # At the provider's side `cable` and `coax` are the line itself, not a cable of the home.
        kind, medium = LinkKind.ACCESS, ACCESS.own(word)
    elif kind is None and line is not None:
        kind, medium = LinkKind.ACCESS, line
    elif kind is None and over is not None:
        kind, medium = LinkKind.BACKHAUL, over
    elif kind == LinkKind.BACKHAUL and folded(str(word)).startswith("mesh"):
        medium = None  # a mesh may be joined by cable too: it is asked for
    elif kind == LinkKind.WIRELESS and _between_boxes(ends, kinds):
        kind, medium = LinkKind.BACKHAUL, Medium.RADIO
    if kind is not None:
        link["kind"] = str(kind)
    if medium is not None:
        link.setdefault("medium", str(medium))
    _swap(link, "medium", ACCESS if link.get("kind") == LinkKind.ACCESS else INSIDE)


def _between_boxes(ends: list[str], kinds: Mapping[str, str]) -> bool:
    """Whether a radio link joins a mesh node or access point to another box: that is its backhaul."""
    found = [kinds.get(end) for end in ends]
    return len(found) == 2 and all(k in _BOXES for k in found) and any(k in _RELAYS for k in found)


def _peer_name(address: str, taken: Mapping[str, object]) -> str:
    """A name for a target that was written as its address or host name only."""
    try:
        ip_address(address)
        base = "target"
    except ValueError:
        base = re.sub(r"[^a-z0-9]+", "-", address.partition(".")[0].lower()).strip("-")
        if not re.match(r"[a-z]", base):
            base = f"target-{base}".rstrip("-")
    base = base[:28].rstrip("-")
    return next(n for n in (base, *(f"{base}-{i}" for i in range(2, MOST_PARTS + 3))) if n not in taken)


def _peers(data: dict[str, Any]) -> None:
    targets = _mapping(data, "targets")
    written = targets.get("peers")
    if isinstance(written, str):
        written = [written]
    if isinstance(written, list) and len(written) <= MOST_PARTS and all(isinstance(p, str) for p in written):
        taken = dict.fromkeys([*_mapping(data, "nodes"), PROVIDER_EDGE, "beyond", "own-traffic", "upstream"])
        out: dict[str, Any] = {}
        for address in written:
            out[_peer_name(address, {**taken, **out})] = {"address": address}
        targets["peers"] = out
    elif isinstance(written, dict):
        for name, peer in written.items():
            if isinstance(peer, str):
                written[name] = {"address": peer}


def in_own_words(data: Any) -> Any:
    """Changes `data` (fresh from the reader) in place and gives it back; never refuses anything."""
    if not isinstance(data, dict):
        return data
    kinds = _node_kinds(data)
    for link in _list(data, "links"):
        _link(link, kinds)
    for part in _list(data, "cabling"):
        _swap(part, "cable", CABLES)
        _swap(part, "leg", LEGS)
        _ways(part)
    for box in list(_mapping(data, "equipment").values())[:MOST_PARTS]:
        if isinstance(box, dict) and type(box.get("radio")) is int:
            box["radio"] = str(box["radio"])  # `radio: 6` is a generation
        _swap(box, "radio", RADIOS)
        _swap(box, "adapter", ADAPTERS)
        _swap(box, "line", TERMINALS)
    _peers(data)
    return data
