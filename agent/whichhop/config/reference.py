"""Every key of a home file with what may be written there, made from the schema that the file is held to."""

import re
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from typing import Any

from msgspec import Struct

from whichhop.config.schema_words import documented_schema
from whichhop.config.trade_words import (
    ACCESS,
    ADAPTERS,
    CABLES,
    INSIDE,
    LEGS,
    LINES_OVER,
    LINKS,
    LINKS_OVER,
    NODES,
    RADIOS,
    TERMINALS,
    Words,
    nearest,
)
from whichhop.model import LinkKind

_WORDS: Mapping[str, tuple[Words, ...]] = {
    "nodes.NAME.kind": (NODES,),
    "links[].kind": (LINKS,),
    "links[].medium": (INSIDE, ACCESS),
    "cabling[].cable": (CABLES,),
    "cabling[].leg": (LEGS,),
    "equipment.NAME.radio": (RADIOS,),
    "equipment.NAME.adapter": (ADAPTERS,),
    "equipment.NAME.line": (TERMINALS,),
}
_TYPES = {
    "string": "text",
    "integer": "whole number",
    "number": "number",
    "boolean": "true or false",
    "object": "mapping",
}


class Key(Struct, frozen=True, kw_only=True):
    """One key: its path (NAME for a name of your own, [] for an entry of a list), and what is written there.

    default: what holds where it is left out, "" where that is nothing. required: its part is refused without
    it. words: the stored words, each with the others that mean the same.
    """

    path: str
    form: str
    default: str
    required: bool
    meaning: str
    words: Mapping[str, tuple[str, ...]]
    """"backhaul over coax" stands for a word that says a link's kind and its medium."""

    @property
    def plain_form(self) -> str:
        """What may be written; of words, the stored ones."""
        return ", ".join(w for w in self.words if " " not in w) if self.words else self.form


def _form(part: Mapping[str, Any], defs: Mapping[str, Any]) -> str:
    """What may be written, in a few words."""
    if "$ref" in part:
        return _form(defs[part["$ref"].rpartition("/")[2]], defs)
    if "anyOf" in part:
        forms = [_form(p, defs) for p in part["anyOf"] if p.get("type") != "null"]
        return " or ".join(dict.fromkeys(forms))
    if "const" in part or "enum" in part:
        return ", ".join(str(word) for word in part.get("enum", [part.get("const")]))
    if part.get("type") == "array":
        return f"list of {_form(part['items'], defs)}"
    low = part.get("minimum", part.get("exclusiveMinimum"))
    high = part.get("maximum", part.get("exclusiveMaximum"))
    kind = _TYPES.get(str(part.get("type")), "text")
    bounds = f", {'over' if 'exclusiveMinimum' in part else 'from'} {low} to {high}"
    return kind if low is None or high is None else kind + bounds


def _below(part: Mapping[str, Any], defs: Mapping[str, Any]) -> tuple[str, Mapping[str, Any]] | None:
    """The mapping that a key leads to, with what its path goes on with; None for a value."""
    for option in [part, *part.get("anyOf", [])]:
        if "$ref" in option:
            found = defs[option["$ref"].rpartition("/")[2]]
            if "properties" in found:
                return "", found
        for entries in (option.get("items"), *option.get("patternProperties", {}).values()):
            inner = _below(entries, defs) if entries else None
            if inner is not None:
                return "[]" if "items" in option else ".NAME", inner[1]
    return None


def _keys(part: Mapping[str, Any], at: str, defs: Mapping[str, Any]) -> Iterator[Key]:
    for name, value in part["properties"].items():
        path = f"{at}.{name}" if at else name
        below = _below(value, defs)
        default = value.get("default")
        yield Key(
            path=path,
            form=_form(value, defs),
            default="" if default in (None, "", [], {}) or isinstance(default, dict) else _plain(default),
            required=name in part.get("required", ()),
            meaning=re.sub(r"\s+", " ", value.get("description", "")),
            words=_other_words(path),
        )
        if below is not None:
            yield from _keys(below[1], path + below[0], defs)


def _other_words(path: str) -> dict[str, tuple[str, ...]]:
    tables = _WORDS.get(path, ())
    stored = dict.fromkeys(word for table in tables for word in table.stored)
    out = {word: tuple(w for table in tables for w in table.other.get(word, ())) for word in stored}
    if path == "links[].kind":
        for kind, table in ((LinkKind.BACKHAUL, LINKS_OVER), (LinkKind.ACCESS, LINES_OVER)):
            out |= {f"{kind} over {medium}": words for medium, words in table.other.items()}
    return out


def _plain(value: object) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)


@cache
def all_keys() -> tuple[Key, ...]:
    """Every key, a part's own keys behind it."""
    schema = documented_schema()
    return tuple(_keys(schema, "", schema["$defs"]))


def _plain_path(text: str) -> str:
    """A path as somebody types it: without brackets and NAME, so that `links.kind` finds `links[].kind`."""
    return text.lower().replace("[]", "").replace(".name.", ".").replace(" ", ".")


def find_keys(said: str) -> Sequence[Key]:
    """The keys that somebody means: a path, the end of one, or a part; the nearest where nothing fits."""
    keys, wanted = all_keys(), _plain_path(said)
    found = [k for k in keys if _plain_path(k.path) == wanted]
    if found:
        return found + [k for k in keys if _plain_path(k.path).startswith(wanted + ".")]
    return [k for k in keys if _plain_path(k.path).endswith("." + wanted)]


def near_key(said: str) -> str | None:
    """The key whose path or last word is spelled most like what was said."""
    paths = [k.path for k in all_keys()]
    ends = {path.rpartition(".")[2]: path for path in reversed(paths)}
    close = nearest(said, [*ends, *(_plain_path(p) for p in paths)])
    return ends.get(close or "", close)


def markdown() -> str:
    """The reference as a table for README.md."""
    rows = ["| key | write | meaning |", "|---|---|---|"]
    for key in all_keys():
        form = key.plain_form
        if key.required:
            form += " (needed)"
        elif key.default:
            form += f" ({key.default})"
        rows.append(f"| `{key.path}` | {form.replace('|', '/')} | {key.meaning.replace('|', '/')} |")
    return "\n".join(rows) + "\n"
