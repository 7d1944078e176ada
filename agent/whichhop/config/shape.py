"""Holds plain data against the schema and turns pydantic's errors into complaints with a remedy."""

import difflib
from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from whichhop.config.load import KeyPath, Located
from whichhop.config.schema import HomeFile
from whichhop.errors import MOST_COMPLAINTS, ConfigError


def near_word(word: str, known: list[str]) -> str:
    """', did you mean X?' for the closest known word, or the list of them."""
    close = difflib.get_close_matches(word, known, n=1)
    if close:
        return f"did you mean {close[0]!r}?"
    return "use one of: " + ", ".join(known)


def _fields_at(path: KeyPath, data: Any) -> list[str]:
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


def _shown(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _words(error: ErrorDetails, path: KeyPath, data: Any) -> tuple[str, str]:
    """Problem and remedy for one of pydantic's errors."""
    kind, ctx, value = error["type"], error.get("ctx", {}), error["input"]
    known = _fields_at(path, data)
    table: Mapping[str, tuple[str, str]] = {
        "extra_forbidden": (
            "unknown key",
            near_word(str(path[-1]), known) if known and path else "remove it",
        ),
        "missing": ("missing", "add it; see the examples in configs/"),
        "string_type": (f"{_shown(value)} is not text", "quote it"),
        "bool_type": (f"{_shown(value)} is not true or false", "write true or false"),
        "model_type": (f"{_shown(value)} is not a mapping", "write it as `key: value` pairs"),
        "dict_type": (f"{_shown(value)} is not a mapping", "write it as `key: value` pairs"),
        "list_type": (f"{_shown(value)} is not a list", "write it as a list: [a, b]"),
        "value_error": (f"{_shown(value)} is {ctx.get('error', 'wrong')}", "correct it"),
        "literal_error": (f"unknown word {_shown(value)}", ""),
        "enum": (f"unknown word {_shown(value)}", ""),
        "too_short": (f"{_shown(value)} has too few entries", f"give at least {ctx.get('min_length')}"),
        "too_long": (f"{_shown(value)} has too many entries", f"give at most {ctx.get('max_length')}"),
        "string_pattern_mismatch": (
            f"{_shown(value)} is not a usable name",
            "use small letters, digits and hyphens, starting with a letter, at most 32",
        ),
    }
    problem, remedy = table.get(kind, (f"{_shown(value)}: {error['msg'].lower()}", "correct it"))
    if kind in ("literal_error", "enum"):
        words = [w.strip(" '") for w in str(ctx["expected"]).replace(" or ", ", ").split(",")]
        remedy = near_word(str(value), words)
    return problem, remedy


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


def hold_to_schema(located: Located) -> HomeFile:
    """The file's content as models; ConfigError with every mismatch at once."""
    try:
        return HomeFile.model_validate(located.data)
    except ValidationError as trouble:
        places: dict[KeyPath, ErrorDetails] = {}
        for error in trouble.errors(include_url=False):
            # A union reports each of its branches: the first for a place is enough for a reader.
            places.setdefault(_path_of(error, located.data), error)
        # Words cost a search for the nearest known one: only for those that are told.
        told = sorted(places, key=located.line)[:MOST_COMPLAINTS]
        complaints = [located.complaint(p, *_words(places[p], p, located.data)) for p in told]
        raise ConfigError(complaints, more=len(places) - len(told)) from None
