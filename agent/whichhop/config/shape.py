"""Holds plain data against the schema and turns pydantic's errors into complaints with a remedy."""

import os
import re
from collections.abc import Mapping, Sequence
from typing import Any
from zoneinfo import available_timezones

from msgspec import Struct
from pydantic import ValidationError
from pydantic_core import ErrorDetails

from whichhop.config.load import KeyPath, Located
from whichhop.config.meant_keys import key_remedy, value_at
from whichhop.config.meant_values import (
    address_remedy,
    hours_remedy,
    meant_name,
    number_remedy,
    target_remedy,
    zone_remedy,
)
from whichhop.config.schema import HomeFile
from whichhop.config.trade_words import (
    ACCESS,
    ADAPTERS,
    CABLES,
    INSIDE,
    LEGS,
    LINES_OVER,
    LINKS,
    LINKS_OVER,
    NO_NODES,
    NODES,
    RADIOS,
    TERMINALS,
    Words,
    folded,
    near_word,
)
from whichhop.errors import MOST_COMPLAINTS, Complaint
from whichhop.model import LinkKind


def _words_at(path: KeyPath, data: Any) -> tuple[Words, ...]:
    """The tables of the words that may stand at a path; none where words are not looked up in tables."""
    part, key = path[0] if path else "", path[-1] if path else ""
    beside = value_at(data, path[:-1])
    if part == "links" and key == "medium":
        access = isinstance(beside, dict) and beside.get("kind") == LinkKind.ACCESS
        return (ACCESS if access else INSIDE,)
    table: Mapping[tuple[object, object], tuple[Words, ...]] = {
        ("nodes", "kind"): (NODES,),
        ("links", "kind"): (LINKS, LINKS_OVER, LINES_OVER),
        ("cabling", "cable"): (CABLES,),
        ("cabling", "leg"): (LEGS,),
        ("equipment", "radio"): (RADIOS,),
        ("equipment", "adapter"): (ADAPTERS,),
        ("equipment", "line"): (TERMINALS,),
    }
    return table.get((part, key), ())


def _shown(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _name_remedy(value: Any) -> str:
    rule = "use small letters, digits and hyphens, starting with a letter, at most 32"
    if "{" in str(value):
        return "put a colon between the name and what stands in braces"
    plain = meant_name(value)
    return f"write {plain}; {rule}" if plain else rule


def _unknown_word(error: ErrorDetails, path: KeyPath, data: Any) -> tuple[str, str]:
    value = error["input"]
    tables = _words_at(path, data)
    if not isinstance(value, str):
        value = str(value)
    if path[:1] == ("nodes",) and folded(value) in NO_NODES:
        return f"{_shown(value)} is no node", NO_NODES[folded(value)]
    if tables:
        spelled = [word for words in tables for word in words.spelled]
        stored = [word for words in tables for word in words.stored]
        return f"unknown word {_shown(error['input'])}", near_word(value, spelled, stored)
    words = [w.strip(" '") for w in str(error["ctx"]["expected"]).replace(" or ", ", ").split(",")]
    if all(word.isdigit() for word in words):
        meant = re.match(r"\s*(\d+)(?!\d|\.\d)", value)
        remedy = (
            f"write {meant[1]}, the number alone" if meant and meant[1] in words else near_word("", words)
        )
    elif words == ["discover"]:
        remedy = "write discover, or the address of the provider's first hop"
    else:
        remedy = near_word(value, words)
    return f"unknown word {_shown(error['input'])}", remedy


_FLAGS = {"yes": "true", "on": "true", "y": "true", "1": "true", "true": "true"} | dict.fromkeys(
    ("no", "off", "n", "0", "false"), "false"
)


def _flag_remedy(value: Any) -> str:
    meant = _FLAGS.get(str(value).lower())
    return "write true or false" + (f", here {meant} without quotes" if meant else ", without quotes")


_LISTS = {
    "links": "begin each link with a hyphen: - {join: [desk, router], kind: wired}",
    "cabling": "begin each part with a hyphen: - {cable: rg-6, length_m: 10}",
    "tap": "write it as [{mhz: 600, dbmv: 12}], at one or more frequencies",
}


def _list_remedy(value: Any, path: KeyPath) -> str:
    """How a list is written that was written as something else; with what was written, where it is short."""
    key = str(path[-1]) if path else ""
    if key == "join" and isinstance(value, str):
        return f"write join: [{', '.join((re.findall(r'[^ ,;/<>]+', value) or ['a', 'b'])[:2])}]"
    if isinstance(value, str) and key not in _LISTS and len(value) < 80:
        return f"write it as a list: [{value}]"
    return _LISTS.get(key, "write it as a list: [a, b]")


_MAPPINGS = {
    ("nodes",): "write each node by its name, without a hyphen: `desk: {kind: host}`",
    ("page",): "write page: {open: true} or page: {open: false}",
    ("stamp",): "write stamp: {authenticated: true} or stamp: {authenticated: false}",
    ("fleet",): "write fleet: {write: https://metrics.example.net/api/v1/write}",
    ("notices", "webhook"): "write webhook: {url: https://notices.example.net/home}",
    ("links",): "write it as {join: [desk, router], kind: wired}",
    ("cabling",): "write it as {cable: rg-6, length_m: 10}",
    ("targets", "resolvers"): "write each by a name of your own: {router: 192.0.2.1}",
}


def _mapping_remedy(value: Any, path: KeyPath) -> str:
    """How a mapping is written that was written as something else."""
    if len(path) == 2 and path[0] == "nodes":
        own = NODES.own(value) or (NODES.own(path[1]) if value is None else None)
        address = isinstance(value, str) and re.fullmatch(r"[\d.:a-f]+", value)
        inside = f"kind: {own}" if own else f"kind: host, address: {value}" if address else "kind: host"
        return f"write {path[1]}: {{{inside}}}"
    named = tuple(part for part in path if isinstance(part, str))
    if named == ("plan",):
        return _plan_remedy(value)
    part = ".".join(named)
    other = f"; its keys: `whichhop home-file {part}`" if part else ""
    return _MAPPINGS.get(named, f"write it as `key: value` pairs{other}")


def _plan_remedy(value: Any) -> str:
    """A plan with the two rates that were written, where it is clear which two."""
    rates = re.findall(r"\d+(?:\.\d+)?", str(value))
    clear = len(rates) == 2 and not re.search(r"(?i)[a-z]*g[a-z]*b|kb", str(value))
    down, up = rates if clear else ("100", "10")
    return f"write plan: {{down_mbps: {down}, up_mbps: {up}}}"


def _value_remedy(value: Any, path: KeyPath) -> str:
    """What to write for a text that is not of the form that its place has."""
    key, text = path[-1] if path else "", str(value)
    if path[:2] == ("targets", "peers"):
        return target_remedy(text)
    if key in ("address", "snmp", "provider-edge") or path[:2] == ("targets", "resolvers"):
        return address_remedy(text)
    if key == "quiet_hours":
        return hours_remedy(text)
    if key == "zone":
        return zone_remedy(text, sorted(available_timezones()))
    if isinstance(key, int) or key in ("page", "upnp"):
        return "write it with http:// or https:// in front" if "://" not in text else "write it in that form"
    return "write it in that form"


_BOUNDS = {
    "greater_than": ("not over {gt:.10g}", "write a number over {gt:.10g}"),
    "greater_than_equal": ("less than {ge:.10g}", "write {ge:.10g} or more"),
    "less_than": ("not under {lt:.10g}", "write a number under {lt:.10g}"),
    "less_than_equal": ("more than {le:.10g}", "write {le:.10g} at most"),
}


def _of_empty(kind: str, path: KeyPath) -> tuple[str, str]:
    """Problem and remedy for a key with nothing behind it."""
    if kind in ("model_type", "dict_type"):
        return "empty", _mapping_remedy(None, path)
    if kind == "list_type":
        return "empty", _list_remedy(None, path)
    return "empty", "write its value (what follows a # is a remark; quotes keep it), or remove the line"


def _text_remedy(value: Any, path: KeyPath) -> str:
    """What to write for a value that is no text: quoted only where the text would then be taken."""
    if isinstance(value, list | dict):
        return "write one of them alone"
    if path[-1] == "address":
        return address_remedy(str(value))
    if "join" in path and not isinstance(value, bool):
        return _name_remedy(str(value))
    formed = path[-1] in _FORMED or path[:2] == ("targets", "resolvers")
    return _value_remedy(value, path) if formed else "quote it"


_FORMED = frozenset({"quiet_hours", "zone", "page", "upnp", "snmp", "provider-edge"})
"""Texts of a form that no number has: what is quoted would be refused."""


def _of_number(kind: str, ctx: Mapping[str, Any], value: Any, path: KeyPath) -> tuple[str, str]:
    """Problem and remedy for what is no number, or too small or large a one."""
    if kind in _BOUNDS:
        problem, remedy = _BOUNDS[kind]
        return f"{_shown(value)} is {problem.format(**ctx)}", remedy.format(**ctx)
    whole = kind.startswith("int_")
    what = "a whole number" if whole else "a number"
    return f"{_shown(value)} is not {what}", number_remedy(value, path, whole=whole)


def _words(error: ErrorDetails, path: KeyPath, data: Any) -> tuple[str, str]:
    """Problem and remedy for one of pydantic's errors."""
    kind, ctx, value = error["type"], error.get("ctx", {}), error["input"]
    if kind == "extra_forbidden" and path:
        return "unknown key", key_remedy(path, data)
    if value is None and kind != "missing":
        return _of_empty(kind, path)
    if kind in ("literal_error", "enum") or (kind == "value_error" and _words_at(path, data)):
        return _unknown_word(error, path, data)
    if kind in _BOUNDS or kind.startswith(("int_", "float_")):
        return _of_number(kind, ctx, value, path)
    table: Mapping[str, tuple[str, str]] = {
        "missing": ("missing", "add it; `whichhop home-file` says what it is"),
        "string_type": (f"{_shown(value)} is not text", _text_remedy(value, path)),
        "bool_type": (f"{_shown(value)} is not true or false", _flag_remedy(value)),
        "model_type": (f"{_shown(value)} is not a mapping", _mapping_remedy(value, path)),
        "dict_type": (f"{_shown(value)} is not a mapping", _mapping_remedy(value, path)),
        "list_type": (f"{_shown(value)} is not a list", _list_remedy(value, path)),
        "value_error": (f"{_shown(value)} is {ctx.get('error', 'wrong')}", _value_remedy(value, path)),
        "too_short": (f"{_shown(value)} has too few entries", f"give at least {ctx.get('min_length')}"),
        "too_long": (f"{_shown(value)} has too many entries", f"give at most {ctx.get('max_length')}"),
        "string_pattern_mismatch": (f"{_shown(value)} is not a usable name", _name_remedy(value)),
        "string_too_short": ("empty", "write some text"),
        "string_too_long": (
            f"{_shown(value)} is too long",
            f"keep it under {ctx.get('max_length')} characters",
        ),
    }
    return table.get(kind, (f"{_shown(value)}: {error['msg'].lower()}", "write it in that form"))


def _path_of(error: ErrorDetails, data: Any) -> KeyPath:
    """The error's place as the file writes it: pydantic's own markers for unions and keys left out."""
    out: list[str | int] = []
    here = data
    for part in error["loc"]:
        if part == "[key]":
            continue
        in_dict = isinstance(here, dict) and part in here
        if in_dict or (isinstance(here, list) and isinstance(part, int) and part < len(here)):
            here = here[part]
        elif error["type"] == "missing" and part == error["loc"][-1]:
            pass
        else:
            continue
        out.append(part)
    return tuple(out)


Mismatch = tuple[KeyPath, ErrorDetails]


class Held(Struct, frozen=True, kw_only=True):
    """Data held against the schema: the file as models, or the mismatches, one a place."""

    file: HomeFile | None
    mismatches: tuple[Mismatch, ...] = ()


def hold_to_schema(data: Any) -> Held:
    """The file's content as models, or every mismatch at once."""
    # Nobody else's plugin reads a home file, and no package beside us is searched for one at each start.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    try:
        return Held(file=HomeFile.model_validate(data))
    except ValidationError as trouble:
        places: dict[KeyPath, ErrorDetails] = {}
        for error in trouble.errors(include_url=False):
            # A union reports each of its branches: the first for a place is enough for a reader.
            places.setdefault(_path_of(error, data), error)
        return Held(file=None, mismatches=tuple(places.items()))


def worded(located: Located, mismatches: Sequence[Mismatch]) -> list[Complaint]:
    """The complaints about the first mismatches in the order of the file's lines, as many as are told."""
    # Words cost a search for the nearest known one: only for those that are told.
    first = sorted(mismatches, key=lambda one: located.line(one[0]))[:MOST_COMPLAINTS]
    return [located.complaint(path, *_words(error, path, located.data)) for path, error in first]
