"""Holds plain data against the schema and turns pydantic's errors into complaints with a remedy."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from whichhop.config.load import KeyPath, Located
from whichhop.config.schema import NAME_PATTERN, HomeFile
from whichhop.config.trade_words import (
    ACCESS,
    ADAPTERS,
    CABLES,
    INSIDE,
    KEYS,
    LEGS,
    LINES_OVER,
    LINKS,
    LINKS_OVER,
    NODES,
    RADIOS,
    TERMINALS,
    Words,
    near_word,
)
from whichhop.errors import MOST_COMPLAINTS, Complaint
from whichhop.model import LinkKind


def fields_at(path: KeyPath, data: Any) -> list[str]:
    """The keys that the schema allows beside an unknown one, by walking the models along the path."""
    model: Any = HomeFile
    for part in path[:-1]:
        if isinstance(model, type) and issubclass(model, BaseModel):
            fields = {f.alias or n: f for n, f in model.model_fields.items()}
            if part not in fields:
                return []
            model = fields[str(part)].annotation
        else:
            # dict[Name, X] and list[X]: what comes below is the last argument
            args = getattr(model, "__args__", ())
            model = args[-1] if args else None
        for arg in getattr(model, "__args__", ()):
            if isinstance(arg, type) and issubclass(arg, BaseModel) and not isinstance(data, list):
                model = arg if type(None) in model.__args__ else model
    if isinstance(model, type) and issubclass(model, BaseModel):
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


def _unknown_key(path: KeyPath, data: Any) -> tuple[str, str]:
    """What to say of a key that no part has."""
    known, key = fields_at(path, data), str(path[-1])
    if ":" in key:
        return "unknown key", f"put a blank after the colon: {key.replace(':', ': ', 1)}"
    meant = KEYS.get(key.lower())
    if meant in known:
        return "unknown key", f"did you mean {meant!r}?"
    value = value_at(data, path)
    if key == "length" and "length_m" in known:
        feet = isinstance(value, str) and re.search(r"f(ee|oo)?t|'", value)
        return "unknown key", f"write {'length_ft' if feet else 'length_m'} and the number alone"
    return "unknown key", near_word(key, known) if known else "remove it"


def _name_remedy(value: Any) -> str:
    plain = re.sub(r"[^a-z0-9]+", "-", str(value).lower()).strip("-")[:32].rstrip("-")
    rule = "use small letters, digits and hyphens, starting with a letter, at most 32"
    return f"write {plain}; {rule}" if re.match(NAME_PATTERN, plain) else rule


def _unknown_word(error: ErrorDetails, path: KeyPath, data: Any) -> tuple[str, str]:
    value = error["input"]
    tables = _words_at(path, data)
    if not isinstance(value, str):
        value = str(value)
    if tables:
        spelled = [word for words in tables for word in words.spelled]
        stored = [word for words in tables for word in words.stored]
        return f"unknown word {_shown(error['input'])}", near_word(value, spelled, stored)
    words = [w.strip(" '") for w in str(error["ctx"]["expected"]).replace(" or ", ", ").split(",")]
    return f"unknown word {_shown(error['input'])}", near_word(value, words)


def _words(error: ErrorDetails, path: KeyPath, data: Any) -> tuple[str, str]:
    """Problem and remedy for one of pydantic's errors."""
    kind, ctx, value = error["type"], error.get("ctx", {}), error["input"]
    if kind == "extra_forbidden" and path:
        return _unknown_key(path, data)
    if kind in ("literal_error", "enum") or (kind == "value_error" and _words_at(path, data)):
        return _unknown_word(error, path, data)
    table: Mapping[str, tuple[str, str]] = {
        "missing": ("missing", "add it; `whichhop home-file` says what it is"),
        "string_type": (f"{_shown(value)} is not text", "quote it"),
        "bool_type": (f"{_shown(value)} is not true or false", "write true or false"),
        "model_type": (f"{_shown(value)} is not a mapping", "write it as `key: value` pairs"),
        "dict_type": (f"{_shown(value)} is not a mapping", "write it as `key: value` pairs"),
        "list_type": (f"{_shown(value)} is not a list", "write it as a list: [a, b]"),
        "value_error": (f"{_shown(value)} is {ctx.get('error', 'wrong')}", "correct it"),
        "too_short": (f"{_shown(value)} has too few entries", f"give at least {ctx.get('min_length')}"),
        "too_long": (f"{_shown(value)} has too many entries", f"give at most {ctx.get('max_length')}"),
        "string_pattern_mismatch": (f"{_shown(value)} is not a usable name", _name_remedy(value)),
    }
    return table.get(kind, (f"{_shown(value)}: {error['msg'].lower()}", "correct it"))


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """Data held against the schema: the file as models, or the mismatches, one a place."""

    file: HomeFile | None
    mismatches: tuple[Mismatch, ...] = ()


def hold_to_schema(data: Any) -> Held:
    """The file's content as models, or every mismatch at once."""
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
