"""What two machines say to each other while one joins the other's home: a line of JSON each, in TLS.

    joining   Hello(share)        Proof      Machine      OwnKey               Kept
    inviting        Share(share)        Proof       Place       HomeSent(home, key)    Done

Whoever is asked may say Refused instead, with the reason; then the talk is over.
"""

from typing import Annotated, Any, TypeVar

import msgspec

from whichhop.outside import INT64, bad, typed

VERSION = 1
LONGEST_ASK = 16 * 1024
"""Octets of what a machine that is not known yet may say in one line: a certificate has some 600."""
LONGEST_HOME = 4 << 20
"""Octets of the line with the home file: 250,000 characters, each at most 12 octets in JSON, and keys."""

_Hex = Annotated[str, msgspec.Meta(max_length=256, pattern="^[0-9a-f]*$")]
_Word = Annotated[str, msgspec.Meta(min_length=1, max_length=64, pattern="^[ -~]*$")]


class Hello(msgspec.Struct, frozen=True, kw_only=True, tag="hello", tag_field="say"):
    """Begins the exchange (config/pairing_keys.py)."""

    version: Annotated[int, msgspec.Meta(ge=0, le=INT64)]
    share: _Hex


class Share(msgspec.Struct, frozen=True, kw_only=True, tag="share", tag_field="say"):
    """The other half of the exchange."""

    share: _Hex


class Proof(msgspec.Struct, frozen=True, kw_only=True, tag="proof", tag_field="say"):
    """Shows that the sender had the same code."""

    proof: _Hex


class Machine(msgspec.Struct, frozen=True, kw_only=True, tag="machine", tag_field="say"):
    """What the joining machine says of itself. name: what it would be called in the home file."""

    name: _Word
    radio: bool
    gateway: _Word | None = None


class Place(msgspec.Struct, frozen=True, kw_only=True, tag="place", tag_field="say"):
    """Which node of the home it is to be."""

    node: _Word


class OwnKey(msgspec.Struct, frozen=True, kw_only=True, tag="own-key", tag_field="say"):
    """The joining agent's certificate (PEM), and its signature that it holds the key of it."""

    certificate: Annotated[str, msgspec.Meta(max_length=4096)]
    signature: _Hex


class HomeSent(msgspec.Struct, frozen=True, kw_only=True, tag="home", tag_field="say"):
    """The home file's text, the home's key in base64, and the certificates of the agents that are known.

    owner, epoch: as their files have them (config/epochs.py, epochs.py); "" where there are none.
    """

    text: str
    key: Annotated[str, msgspec.Meta(max_length=256)]
    known: dict[str, str] = {}
    owner: Annotated[str, msgspec.Meta(max_length=64 * 1024)] = ""
    epoch: Annotated[str, msgspec.Meta(max_length=256 * 1024)] = ""


class Kept(msgspec.Struct, frozen=True, kw_only=True, tag="kept", tag_field="say"):
    """The joining machine has them on its disk."""


class Done(msgspec.Struct, frozen=True, kw_only=True, tag="done", tag_field="say"):
    """The inviting machine has written the new agent into its own file."""


class Refused(msgspec.Struct, frozen=True, kw_only=True, tag="refused", tag_field="say"):
    """The end of the talk. why: one line for the person at the other machine."""

    why: Annotated[str, msgspec.Meta(max_length=2000)]


Said = Hello | Share | Proof | Machine | Place | OwnKey | HomeSent | Kept | Done | Refused
S = TypeVar("S", bound=Said)


class RefusedHereError(Exception):
    """The other side ended the talk; the text is its reason."""


def line_of(said: Said) -> bytes:
    """What goes over the wire, with its line's end."""
    return msgspec.json.encode(said) + b"\n"


def read_line(line: bytes, expected: type[S], place: str, *, most: int) -> S:
    """A received line as what was to come next; OutsideError for anything else.

    RefusedHereError when the other side refused.
    """
    if not line.endswith(b"\n"):
        raise bad(place, "the talk ended early", "ask for a new code and try again")
    said: Any = typed(line, place, Said, most=most)  # type: ignore[arg-type] # a union is no type to mypy
    if isinstance(said, Refused):
        raise RefusedHereError(said.why)
    if not isinstance(said, expected):
        raise bad(place, f"said {type(said).__name__} where {expected.__name__} was to come")
    return said
