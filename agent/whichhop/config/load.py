"""YAML text to plain data, keeping line numbers and refusing what YAML would silently misread."""

import math
import re
from collections.abc import Mapping
from contextlib import suppress
from typing import Any

import yaml
from msgspec import Struct, field

from whichhop.config.syntax_mistakes import Stop, stop_at
from whichhop.config.syntax_repairs import repaired
from whichhop.errors import MOST_COMPLAINTS, Complaint, ConfigError
from whichhop.printable import printable, shown

MOST_CHARACTERS = 250_000
"""A home of 50 rooms with its cabling has some 30,000; this is read in seconds on a small machine."""
_LONGEST_KEY = 64
_TYPOGRAPHIC = "\u2018\u2019\u201a\u201c\u201d\u201e\u00ab\u00bb"
_READ_OTHERWISE = re.compile("[\t\r?!|>\x85\u2028\u2029\ufeff]")
"""What the YAML library's two readers do not take alike."""
KeyPath = tuple[str | int, ...]


def plain_quotes(text: str) -> str | None:
    """A text without the typographic quotes around it; None where it has none."""
    bare = text.strip(_TYPOGRAPHIC)
    return bare if bare != text else None


def key_text(path: KeyPath) -> str:
    """A key path as people write it: links[2].join[0]."""
    out = ""
    for part in path:
        if isinstance(part, int):
            out += f"[{part}]"
        else:
            out += f".{part}" if out else str(part)
    return out


class Located(Struct, frozen=True, kw_only=True):
    """Plain data with the line, counted from 1, on which each key path begins."""

    file: str
    data: Any
    lines: dict[KeyPath, int]
    complaints: tuple[Complaint, ...] = ()
    """What was wrong on the way; the value at such a place is None, the first of two, or what was written."""
    places: frozenset[KeyPath] = frozenset()
    """Where those complaints point, but for `bare`."""
    bare: Mapping[KeyPath, Complaint] = field(default_factory=dict)
    """Those of them about texts that want quotes: who knows what belongs there may know better."""
    more: int = 0
    """How many there are besides, which nobody put into words."""

    def line(self, path: KeyPath) -> int:
        """The line of a path, or of the nearest path above it that the file has."""
        while path and path not in self.lines:
            path = path[:-1]
        return self.lines.get(path, 1)

    def complaint(self, path: KeyPath, problem: str, remedy: str) -> Complaint:
        """A complaint that points at a key path."""
        return Complaint(
            file=self.file, line=self.line(path), key=key_text(path), problem=problem, remedy=remedy
        )


class _Reader(Struct):
    """Turns composed YAML nodes into data, gathering complaints on the way."""

    file: str
    lines: dict[KeyPath, int] = field(default_factory=dict)
    complaints: list[Complaint] = field(default_factory=list)
    places: set[KeyPath] = field(default_factory=set)
    bare: dict[KeyPath, Complaint] = field(default_factory=dict)
    more: int = 0
    seen: set[int] = field(default_factory=set)

    def complain(
        self, node: yaml.Node, path: KeyPath, problem: str, remedy: str, *, bare: bool = False
    ) -> None:
        if not bare:
            self.places.add(path)
        if len(self.complaints) >= MOST_COMPLAINTS:
            self.more += 1
            return
        self.complaints.append(
            Complaint(
                file=self.file,
                line=node.start_mark.line + 1,
                key=key_text(path),
                problem=problem,
                remedy=remedy,
            )
        )
        if bare:
            self.bare[path] = self.complaints[-1]

    def read(self, node: yaml.Node, path: KeyPath) -> Any:
        self.lines.setdefault(path, node.start_mark.line + 1)
        if isinstance(node, yaml.ScalarNode):
            return self.scalar(node, path)
        # An alias composes to the very node it names: one that was met before is an alias.
        if id(node) in self.seen:
            self.complain(node, path, "an alias repeats another part of the file", "write the part out")
            return None
        self.seen.add(id(node))
        if isinstance(node, yaml.MappingNode):
            return self.mapping(node, path)
        return [self.read(item, (*path, i)) for i, item in enumerate(node.value)]

    def mapping(self, node: yaml.MappingNode, path: KeyPath) -> dict[str, Any]:
        out: dict[str, Any] = {}
        for key_node, value_node in node.value:
            if not isinstance(key_node, yaml.ScalarNode):
                self.complain(key_node, path, "a key is a list or a mapping", "use a plain word as the key")
                continue
            key = str(key_node.value)
            if printable(key, _LONGEST_KEY) != key:
                self.complain(
                    key_node, path, f"the key {shown(key)} is no word", "use a plain word as the key"
                )
                continue
            below = (*path, key)
            if key in out:
                first = self.lines[below]
                self.complain(
                    key_node,
                    below,
                    f"the key is repeated (first on line {first})",
                    "keep one, or rename the other",
                )
                continue
            self.lines[below] = key_node.start_mark.line + 1
            out[key] = self.read(value_node, below)
        return out

    def scalar(self, node: yaml.ScalarNode, path: KeyPath) -> Any:
        text, kind = str(node.value), node.tag.rpartition(":")[2]
        if printable(text) != text:
            self.complain(
                node,
                path,
                f"{shown(text)} has line ends, control or invisible characters",
                "write plain text",
            )
            return None
        if not node.tag.startswith("tag:yaml.org,2002:"):
            self.complain(node, path, f"a word that begins with ! ({shown(node.tag)})", "quote the text")
            return None
        # Inside plain quotes somebody means them.
        if not node.style and (plain := plain_quotes(text)) is not None:
            self.complain(node, path, f"{shown(text)} has typographic quotes", f'write "{plain}"')
            return plain
        wide = kind in ("int", "float") and ":" in text
        if wide or (kind == "bool" and text not in ("true", "false")):
            problem = (
                f"bare {text} means a number to base 60 to YAML"
                if wide
                else f"the bare word {text!r} means true or false to YAML"
            )
            self.complain(node, path, problem, f'quote it: "{text}"', bare=True)
            return text
        return self.typed(node, path, kind)

    def typed(self, node: yaml.ScalarNode, path: KeyPath, kind: str) -> Any:
        if kind in ("int", "float"):
            return self.number(node, path, kind)
        text = str(node.value)
        return text == "true" if kind == "bool" else None if kind == "null" else text

    def number(self, node: yaml.ScalarNode, path: KeyPath, kind: str) -> Any:
        text = str(node.value).replace("_", "")
        try:
            value = int(text) if kind == "int" else float(text)
            math.isfinite(value)
        except (
            ValueError,
            OverflowError,
        ):  # one of hundreds of digits; hexadecimal, octal and binary, which YAML takes for numbers too
            value = math.nan
        if not math.isfinite(value):
            self.complain(
                node, path, f"{shown(text)} is not a plain number", "write it in digits, such as 100"
            )
            return None
        return value


def one_complaint(file: str, problem: str, remedy: str) -> ConfigError:
    """A complaint about a file as a whole."""
    return ConfigError([Complaint(file=file, line=1, key="", problem=problem, remedy=remedy)])


def load_yaml(text: str, file: str) -> Located:
    """As `read_yaml`, for who has no use for a text with mistakes: ConfigError with all of them."""
    located = read_yaml(text, file)
    if located.complaints:
        raise ConfigError(located.complaints, located.more)
    return located


def _composed(text: str) -> yaml.Node | Stop | None:
    """The YAML library's tree, None of an empty text; or where it stops.

    Its reader in C is ten times as fast; what that cannot read, or reads otherwise, is the other one's.
    """
    if not _READ_OTHERWISE.search(text):
        with suppress(yaml.YAMLError, ValueError, AttributeError):  # the last where it was built without
            fast: yaml.Node | None = yaml.compose(text, Loader=yaml.CSafeLoader)
            return fast
    try:
        root: yaml.Node | None = yaml.compose(text, Loader=yaml.SafeLoader)
    except yaml.YAMLError as trouble:
        began = getattr(trouble, "context_mark", None)
        mark = getattr(trouble, "problem_mark", None) or began
        return stop_at(
            text,
            mark.line if mark else 0,
            str(getattr(trouble, "problem", None) or "a character that YAML does not allow"),
            context=str(getattr(trouble, "context", None) or ""),
            context_at=began.line if began else None,
            column=mark.column if mark else 0,
        )
    return root


def _stop(text: str) -> Stop | None:
    found = _composed(text)
    return found if isinstance(found, Stop) else None


def read_yaml(text: str, file: str) -> Located:
    """Plain data (dict, list, str, int, float, bool, None) of a YAML text, with what is wrong in it.

    Every repeated key, alias, base-60 number and bare yes/no/on/off becomes a complaint beside the data, and
    so does a line that YAML cannot parse where it is clear what was meant. Raises ConfigError with all such
    lines where it is not.
    """
    if len(text) > MOST_CHARACTERS:
        raise one_complaint(
            file, f"{len(text)} characters are no home file", f"keep it under {MOST_CHARACTERS}"
        )
    mistakes: list[Complaint] = []
    try:
        root = _composed(text)
        if isinstance(root, Stop):
            found = repaired(text, _stop)
            mistakes = [
                Complaint(file=file, line=one.line + 1, key="", problem=one.problem, remedy=one.remedy)
                for one in found.mistakes
            ]
            root = None if found.text is None else _composed(found.text)
            if root is None or isinstance(root, Stop):
                raise ConfigError(mistakes)
    except RecursionError:
        raise one_complaint(
            file, "nested without end", "write it flat, as the examples in configs/"
        ) from None
    except (ValueError, OverflowError) as trouble:  # an escape or a number in a directive that is none
        raise one_complaint(file, f"not YAML: {trouble}", "write it as the examples in configs/") from trouble
    if root is None or (isinstance(root, yaml.ScalarNode) and root.tag.endswith(":null")):
        raise one_complaint(file, "the file is empty", "start from one of the example homes in configs/")
    reader = _Reader(file=file, complaints=mistakes)
    try:
        data = reader.read(root, ())
    except RecursionError:
        raise one_complaint(
            file, "nested without end", "write it flat, as the examples in configs/"
        ) from None
    return Located(
        file=file,
        data=data,
        lines=reader.lines,
        complaints=tuple(reader.complaints),
        places=frozenset(reader.places),
        bare=reader.bare,
        more=reader.more,
    )
