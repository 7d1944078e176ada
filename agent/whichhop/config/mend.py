"""Makes data with mistakes whole enough for the other rules to be tried, so that one run tells everything.

What takes a mistaken value's place is never used for measuring: the file is refused anyway. What the other
rules then say about such a place is not told, since it may only follow from the mistake.
"""

import copy
import re
from collections.abc import Sequence
from typing import Any

from msgspec import Struct

from whichhop.config.load import KeyPath
from whichhop.config.meant_keys import value_at
from whichhop.config.schema import NAME_PATTERN, HomeFile
from whichhop.config.shape import Mismatch, hold_to_schema

ROUNDS = 6
"""Mending one place may show another below it; no file of a person needs more."""
MOST_MISMATCHES = 500
"""With more, only these are told of anyway."""
_NO_ENDS = ["x", "x"]
_ASIDE = frozenset({"medium", "name", "room", "levels", "wan_counters", "stamp", "tcp_port", "clients"})
"""Keys whose mistake does not make doubtful what is said of the part that they stand in."""


class Mended(Struct, frozen=True):
    """A file that passes the schema, and where it is not what was written."""

    file: HomeFile
    doubtful: frozenset[KeyPath]

    @property
    def tree_doubtful(self) -> bool:
        """True when a link's ends are not known, or a node's name: then nothing can be said of the tree."""
        for path in self.doubtful:
            if path[0] == "links" and (len(path) < 3 or path[2] == "join"):
                return True
            if path[0] == "nodes" and len(path) < 3:
                return True
        return False

    @property
    def line_doubtful(self) -> bool:
        """True when a link may or may not be the access line."""
        return any(p[0] == "links" and (len(p) < 3 or p[2] in ("join", "kind")) for p in self.doubtful)

    def hides(self, path: KeyPath) -> bool:
        """Whether a rule's complaint about a place may only follow from a mistake told already."""
        for told in self.doubtful:
            if path[: len(told)] == told:
                return True
            if told[: len(path)] == path and not _ASIDE.intersection(told[len(path) :]):
                return True
        return path[0] == "links" and len(path) > 1 and self._hides_link(path)

    def _hides_link(self, path: KeyPath) -> bool:
        index = path[1]
        if not isinstance(index, int) or path[2:] not in (("kind",), ("join",), ("medium",)):
            return False
        kinds = {told[1] for told in self.doubtful if told[0] == "nodes" and told[2:] in ((), ("kind",))}
        return bool(kinds.intersection(self.file.links[index].join))


def _delete(data: Any, path: KeyPath) -> None:
    """Take away a key, or the part of the file that holds the list in which the entry stands."""
    for i in range(len(path)):
        if isinstance(value_at(data, path[:i]), list):
            path = path[:i]  # an entry taken out would give the others behind it new numbers
            break
    parent = value_at(data, path[:-1])
    if isinstance(parent, dict):
        parent.pop(path[-1], None)


def _mend(data: dict[str, Any], path: KeyPath, kind: str) -> None:
    match path:
        case ("home",):
            data["home"] = "home"
        case ("nodes", str() as name):
            if re.match(NAME_PATTERN, name):
                data["nodes"][name] = {"kind": "host"}
            else:
                data["nodes"].pop(name, None)
        case ("nodes", _, "kind"):
            data["nodes"][path[1]]["kind"] = "host"
        case ("links", int() as i):
            data["links"][i] = {"join": list(_NO_ENDS), "kind": "wired"}
        case ("links", int() as i, "join", *_):
            data["links"][i]["join"] = list(_NO_ENDS)
        case ("links", int() as i, "kind"):
            data["links"][i]["kind"] = "wired"
            data["links"][i].pop("medium", None)
        case ("links", int() as i, str() as key, *_):
            data["links"][i].pop(key, None)
        case (_,) if kind != "extra_forbidden":
            data.pop(str(path[0]), None)
        case _:
            # What is missing cannot be taken away: the part that misses it goes.
            _delete(data, path[:-1] if kind == "missing" else path)


def mended(data: Any, mismatches: Sequence[Mismatch]) -> Mended | None:
    """The data made to pass the schema; None where too little of it is sound to say more."""
    if not isinstance(data, dict) or not isinstance(data.get("nodes"), dict):
        return None
    whole = copy.deepcopy(data)
    doubtful: set[KeyPath] = set()
    for _ in range(ROUNDS):
        if len(mismatches) > MOST_MISMATCHES:
            return None
        for path, error in mismatches:
            if not path:
                return None
            if error["type"] != "extra_forbidden":
                # One end that is no name makes both doubtful: a stand-in takes the place of the pair.
                doubtful.add(path[:3] if path[0] == "links" and path[2:3] == ("join",) else path)
            _mend(whole, path, error["type"])
        held = hold_to_schema(whole)
        if held.file is not None:
            return Mended(held.file, frozenset(doubtful))
        mismatches = held.mismatches
    return None
