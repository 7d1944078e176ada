"""Keys where no such key is known: which one, or which place, was meant, so that the rest is read too."""

import re
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from whichhop.config.load import KeyPath, Located
from whichhop.config.schema import HomeFile
from whichhop.config.schema_of_house import Part
from whichhop.config.trade_words import KEYS, folded, nearest
from whichhop.errors import Complaint

ROUNDS = 4
"""A key put right may show another below it; no file of a person is deeper."""
MOST = 200
"""With more unknown keys than that the first of them are told, and none is put right."""
_TOP = tuple(f.alias or n for n, f in HomeFile.model_fields.items())
_NOT_HERE = {
    "gateway": "write the router as a node: `router: {kind: gateway, address: ADDRESS}`",
    "mac": "remove it: agents are known by their keys, and other nodes by their addresses",
    "splitter": "write splitters under cabling, a line each: - {splitter: 2}",
    "docsis": "write what it bonds: down_channels, up_channels, ofdm_mhz, ofdma_mhz",
    "channels": "write down_channels and up_channels, such as 8 and 4 for 8x4",
}
"""What people look for and where it is said instead."""
_ENDS = ("from", "to", "a", "b", "near", "far", "source", "target")


def fields_at(path: KeyPath, data: Any) -> list[str]:
    """The keys that the schema allows beside an unknown one, by walking the models along the path."""
    model: Any = HomeFile
    for part in path[:-1]:
        if isinstance(model, type) and issubclass(model, Part):
            fields = {f.alias or n: f for n, f in model.model_fields.items()}
            if part not in fields:
                return []
            model = fields[str(part)].annotation
        else:
            # dict[Name, X] and list[X]: what comes below is the last argument
            args = getattr(model, "__args__", ())
            model = args[-1] if args else None
        for arg in getattr(model, "__args__", ()):
            if isinstance(arg, type) and issubclass(arg, Part) and not isinstance(data, list):
                model = arg if type(None) in model.__args__ else model
    if isinstance(model, type) and issubclass(model, Part):
        return [f.alias or n for n, f in model.model_fields.items()]
    return []


def value_at(data: Any, path: KeyPath) -> Any:
    """The value at a path; None where there is none."""
    for part in path:
        if isinstance(data, dict) and part in data:
            data = data[part]
            continue
        if not isinstance(data, list) or not isinstance(part, int) or part >= len(data):
            return None
        data = data[part]
    return data


@cache
def _places() -> dict[str, tuple[str, ...]]:
    """By key, the parts of a home file that have it."""
    found: dict[str, tuple[str, ...]] = {}

    def walk(model: type[Part], at: str) -> None:
        for name, field in model.model_fields.items():
            key = field.alias or name
            found[key] = (*found.get(key, ()), at)
            for below, inside in _models(field.annotation):
                walk(below, f"{at}.{key}{inside}".removeprefix("."))

    walk(HomeFile, "")
    return found


def _models(annotation: Any) -> Iterator[tuple[type[Part], str]]:
    """The parts that an annotation holds, each with how an entry of it is called in a path."""
    if isinstance(annotation, type) and issubclass(annotation, Part):
        yield annotation, ""
        return
    origin = getattr(annotation, "__origin__", None)
    inside = ".NAME" if origin is dict else "[]" if origin is list else ""
    for arg in getattr(annotation, "__args__", ()):
        for model, below in _models(arg):
            yield model, inside + below


def _meant(key: str, known: Sequence[str]) -> str | None:
    """The key of the same part that was meant."""
    if key == "length":
        return None  # its unit decides
    hint = KEYS.get(key.lower())
    if hint in known:
        return hint
    by_letters = {folded(one): one for one in known}
    plain = folded(key)
    for tried in (plain, plain.removesuffix("s"), f"{plain}s"):
        if tried in by_letters:
            return by_letters[tried]
    if key in _NOT_HERE or key in _places():
        return None  # another part has it: nothing that is spelled like it is meant
    return nearest(key, known)


def key_remedy(path: KeyPath, data: Any) -> str:
    """What to do about a key that its part has not."""
    known, key = fields_at(path, data), str(path[-1])
    value = value_at(data, path)
    if ":" in key:
        return f"put a blank after the colon: {key.replace(':', ': ', 1)}"
    if key == "length" and "length_m" in known:
        return _length_remedy(str(value))
    if _is_stray_node(path, data):
        return _NODE_HERE
    if f"{key}_file" in known:
        return f"put it alone in a file of mode 0600, and name that file as {key}_file"
    if (meant := _meant(key, known)) is not None:
        return f"did you mean {meant!r}?"
    use = "use one of: " + ", ".join(known) if known else "remove it"
    return _thousands(path, data) or _NOT_HERE.get(key) or _elsewhere(key) or use


def _thousands(path: KeyPath, data: Any) -> str:
    """What `{rate: 1,000}` meant, in which YAML reads a rate of 1 and a key of 000; empty for all else."""
    key, part = str(path[-1]), value_at(data, path[:-1])
    if not re.fullmatch(r"\d{3}", key) or not isinstance(part, dict) or part.get(path[-1]) is not None:
        return ""
    before = dict(zip(list(part)[1:], part, strict=False)).get(path[-1])
    value = part.get(before)
    whole = isinstance(value, int) and not isinstance(value, bool)
    said = f"a comma ends a value between braces; write {before}: {value}{key}, the number alone"
    return said if whole else ""


def _length_remedy(value: str) -> str:
    unit = "length_ft" if re.search(r"f(ee|oo)?t|'", value) else "length_m"
    number = re.match(r"\s*([\d.]+)", value)
    return f"write {unit}: {number[1]}" if number else f"write {unit} and the number alone"


def _elsewhere(key: str) -> str | None:
    """Which part has a key of that name; None where none has."""
    for tried in dict.fromkeys((key, KEYS.get(key.lower(), key), f"{key}s")):
        if places := _places().get(tried):
            if not places[0]:
                return "write it at the top level, without indentation"
            return f"write {'it' if tried == key else repr(tried)} under {' or '.join(places[:3])}"
    return None


def is_no_home(data: Any) -> str | None:
    """What the file is instead, where nothing of it is a home file's; None where it may be one."""
    if not isinstance(data, dict):
        return "is not a mapping"
    if any(key in _TOP or _meant(key, _TOP) for key in list(data)[:MOST]):
        return None
    return f"has none of a home file's keys, but {', '.join(list(data)[:3])}" if data else "is empty"


def put_right(
    located: Located, mismatches: Sequence[tuple[KeyPath, Mapping[str, object]]]
) -> tuple[Located, list[Complaint], bool]:
    """The data with keys renamed or moved to what they surely mean, complaints about them, and if any was.

    A key that is told here is none that is missing or unknown afterwards, and what stands under it is read.
    """
    complaints: list[Complaint] = []
    if len(mismatches) > MOST:
        return located, complaints, False
    data, lines, changed = located.data, dict(located.lines), False
    for path, error in mismatches:
        unknown = error["type"] == "extra_forbidden"
        move = _meant_place(path, data) if unknown else _moved_up(path, data)
        if move is None:
            continue
        changed = True
        if move.words is not None:
            complaints.append(located.complaint(move.old, *move.words))
        value = value_at(data, move.old[:-1]).pop(move.old[-1])
        parent = value_at(data, move.new[:-1])
        parent[move.new[-1]] = value if move.value is None else move.value
        for at, line in located.lines.items():
            if at[: len(move.old)] == move.old:
                lines.setdefault((*move.new, *at[len(move.old) :]), line)
    return replace(located, lines=lines), complaints, changed


class _Move(Struct, frozen=True):
    """words: problem and remedy; None where another complaint will say it. value: where it is another one."""

    old: KeyPath
    new: KeyPath
    words: tuple[str, str] | None
    value: Any = None


_UNKNOWN = "unknown key"
_NODE_HERE = "it is a node: indent it under nodes"


def _is_stray_node(path: KeyPath, data: Any) -> bool:
    value = value_at(data, path)
    return len(path) == 1 and isinstance(value, dict) and "kind" in value


def _meant_place(path: KeyPath, data: Any) -> _Move | None:
    """Where an unknown key belongs, as far as that is sure."""
    parent, key = value_at(data, path[:-1]), path[-1]
    if not isinstance(parent, dict) or not isinstance(key, str) or key not in parent:
        return None
    if _is_stray_node(path, data):
        return _into_nodes(key, data)
    known = fields_at(path, data)
    if path[0] == "links" and "join" in known and (move := _ends_together(path, parent)) is not None:
        return move
    name, colon, rest = key.partition(":")
    if colon and rest and parent[key] is None and name in known and name not in parent:
        return _Move(path, (*path[:-1], name), (_UNKNOWN, key_remedy(path, data)), rest)
    meant = None if colon else _meant(key, known)
    if meant is None or meant in parent:
        return None
    return _Move(path, (*path[:-1], meant), (_UNKNOWN, f"did you mean {meant!r}?"))


def _into_nodes(key: str, data: Any) -> _Move | None:
    """A node that stands beside `nodes` for want of indentation."""
    if data.get("nodes") is None:
        data["nodes"] = {}
    free = isinstance(data["nodes"], dict) and key not in data["nodes"]
    return _Move((key,), ("nodes", key), (_UNKNOWN, _NODE_HERE)) if free else None


def _ends_together(path: KeyPath, parent: dict[str, Any]) -> _Move | None:
    """A link's ends that were written without a list, or under a key each."""
    key, join, at = str(path[-1]), parent.get("join"), (*path[:-1], "join")
    if isinstance(join, str) and parent[key] is None:  # join: desk, attic
        return _Move(path, at, None, f"{join} {key}")
    ends = [one for one in parent if one in _ENDS]
    if key not in ends or join is not None or len(ends) != 2:
        return None
    both = [parent[one] for one in ends]
    parent.pop(ends[1 - ends.index(key)])
    return _Move(path, at, (_UNKNOWN, "name both ends in one list: join: [desk, router]"), both)


def _moved_up(path: KeyPath, data: Any) -> _Move | None:
    """A part of the whole file that was indented under nodes by mistake."""
    if len(path) < 2 or path[0] != "nodes" or path[1] not in _TOP or path[1] in data:
        return None
    value = value_at(data, path[:2])
    if value is None or (isinstance(value, dict) and "kind" in value):
        return None
    return _Move(path[:2], (path[1],), ("is no node", "write it at the top level, without indentation"))
