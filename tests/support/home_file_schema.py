"""Writes the home file's JSON schema, for editors that check while one writes."""

import json
from collections.abc import Mapping
from typing import Any

from whichhop.config.schema import NAME_PATTERN
from whichhop.config.schema_words import documented_schema
from whichhop.config.trade_words import (
    ACCESS,
    ADAPTERS,
    CABLES,
    INSIDE,
    LEGS,
    LINKS,
    NODES,
    RADIOS,
    TERMINALS,
)

_WORDS = {
    "NodeKind": (NODES,),
    "LinkKind": (LINKS,),
    "WrittenMedium": (ACCESS, INSIDE),
    "CableKind": (CABLES,),
    "Leg": (LEGS,),
    "RadioKind": (RADIOS,),
    "Adapter": (ADAPTERS,),
    "LineKind": (TERMINALS,),
}


def _spelled_otherwise(part: Mapping[str, Any], tables: tuple[Any, ...]) -> dict[str, Any]:
    """The stored words are offered, and others are left to `whichhop check`, which knows all spellings."""
    stored = list(dict.fromkeys(word for words in tables for word in words.stored))
    return {
        "anyOf": [{"enum": stored, "type": "string"}, {"type": "string"}],
        "description": part.get("description", ""),
        "title": part["title"],
    }


def json_schema_text() -> str:
    """The schema as text; shared/home-file.schema.json holds it, and a test keeps that file current."""
    schema = documented_schema()
    for name, tables in _WORDS.items():
        schema["$defs"][name] = _spelled_otherwise(schema["$defs"][name], tables)
    peers = schema["$defs"]["TargetsPart"]["properties"]["peers"]
    one = {"anyOf": [*peers.pop("patternProperties").values(), {"type": "string"}]}
    peers["anyOf"] = [
        {"type": "object", "patternProperties": {NAME_PATTERN: one}},
        {"type": "array", "items": {"type": "string"}},
        {"type": "string"},
    ]
    del peers["type"]
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = "whichhop home file"
    return json.dumps(schema, indent=2) + "\n"
