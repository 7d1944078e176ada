"""What a report is made of, whatever it is printed on: sections of paragraphs, facts, tables and pictures."""

from collections.abc import Sequence
from enum import StrEnum

from msgspec import Struct, field


class Tone(StrEnum):
    """How a notice is meant."""

    CLAIM = "claim"
    HOLD = "hold"
    """Nothing is claimed, and why."""
    NO_FAULT = "no-fault"


class Para(Struct, frozen=True):
    """A paragraph."""

    text: str


class Notice(Struct, frozen=True):
    """The sentence that matters most."""

    tone: Tone
    head: str
    text: str


class Bullets(Struct, frozen=True):
    """A list."""

    items: tuple[str, ...]


class FactList(Struct, frozen=True):
    """Names with their values, one a line."""

    pairs: tuple[tuple[str, str], ...]


class Grid(Struct, frozen=True, kw_only=True):
    """A table; `numbers` are the columns set to the right; `marked` the rows that the claim is about."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: frozenset[int] = field(default_factory=frozenset)
    marked: frozenset[int] = field(default_factory=frozenset)


class Picture(Struct, frozen=True, kw_only=True):
    """A drawing as SVG without colours of its own (see plot.STYLE), what it shows, and its caption.

    narrow: the same drawn for a telephone, which shows it instead; "" for none.
    """

    svg: str
    shows: str
    caption: str
    narrow: str = ""


class Fixed(Struct, frozen=True):
    """Text whose every character counts: digests, keys, commands."""

    text: str


Block = Para | Notice | Bullets | FactList | Grid | Picture | Fixed


class Section(Struct, frozen=True, kw_only=True):
    """A heading and what stands under it; `name` is its anchor."""

    name: str
    title: str
    blocks: Sequence[Block]
