"""What a report is made of, whatever it is printed on: sections of paragraphs, facts, tables and pictures."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum


class Tone(StrEnum):
    """How a notice is meant."""

    CLAIM = "claim"
    HOLD = "hold"
    """Nothing is claimed, and why."""
    NO_FAULT = "no-fault"


@dataclass(frozen=True, slots=True)
class Para:
    """A paragraph."""

    text: str


@dataclass(frozen=True, slots=True)
class Notice:
    """The sentence that matters most."""

    tone: Tone
    head: str
    text: str


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list."""

    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FactList:
    """Names with their values, one a line."""

    pairs: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """A table; `numbers` are the columns set to the right; `marked` the rows that the claim is about."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: frozenset[int] = field(default_factory=frozenset)
    marked: frozenset[int] = field(default_factory=frozenset)


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A drawing as SVG without colours of its own (see plot.STYLE), what it shows, and its caption.

    narrow: the same drawn for a telephone, which shows it instead; "" for none.
    """

    svg: str
    shows: str
    caption: str
    narrow: str = ""


@dataclass(frozen=True, slots=True)
class Fixed:
    """Text whose every character counts: digests, keys, commands."""

    text: str


Block = Para | Notice | Bullets | FactList | Grid | Picture | Fixed


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A heading and what stands under it; `name` is its anchor."""

    name: str
    title: str
    blocks: Sequence[Block]
