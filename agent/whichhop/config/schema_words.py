"""The home file's JSON schema with each key's meaning: the text that stands below it in the schema's source.

pydantic reads them by itself where it is asked to, for every process that loads the schema, and that takes
longer than all else in reading a home file; only who prints the reference wants them.
"""

import ast
import inspect
import sys
from collections.abc import Iterator
from typing import Any

from whichhop.config.schema import HomeFile
from whichhop.config.schema_of_house import Part


def documented_schema() -> dict[str, Any]:
    """The JSON schema of a home file, by the keys as they are written there."""
    parts: list[type[Part]] = [Part, *_below(Part)]
    for module in dict.fromkeys(part.__module__ for part in parts):
        meanings = _meanings(inspect.getsource(sys.modules[module]))
        for part in (p for p in parts if p.__module__ == module):
            for name, field in part.model_fields.items():
                field.description = meanings.get((part.__name__, name), field.description)
    for part in parts:
        part.model_rebuild(force=True)
    return HomeFile.model_json_schema(by_alias=True)


def _below(part: type[Part]) -> Iterator[type[Part]]:
    for one in part.__subclasses__():
        yield one
        yield from _below(one)


def _meanings(source: str) -> dict[tuple[str, str], str]:
    """The text behind each field, by the names of its class and its own."""
    found = {}
    for thing in ast.parse(source).body:
        if isinstance(thing, ast.ClassDef):
            for field, text in zip(thing.body, thing.body[1:], strict=False):
                match field, text:
                    case ast.AnnAssign(target=ast.Name(id=name)), ast.Expr(
                        value=ast.Constant(value=str(said))
                    ):
                        found[thing.name, name] = inspect.cleandoc(said)
    return found
