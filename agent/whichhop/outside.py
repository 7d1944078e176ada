"""Where what comes from outside becomes a value: of the type asked for, in bounds, or one line of complaint.

Outside is everything that this process did not make: files, devices, other agents, servers, child processes.
Every reader of such things takes its numbers, texts, lists and octets through here, so that none meets an
infinite number, one of 400 digits, a text with escape codes, a list without end or a packing that unfolds to
gigabytes. Whatever is wrong is an OutsideError that names the place; nothing else gets through.
"""

import base64
import binascii
import math
import re
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Protocol, TypeVar

import msgspec

from whichhop.errors import DataError
from whichhop.printable import printable, shown

INT64 = 2**63 - 1
"""The largest whole number that the store and the records' packing hold."""
COUNTER64 = 2**64 - 1
"""The top of the widest counter that a device has (RFC 2578 section 7.1.10)."""
LARGEST_VALUE = 1e24
"""Of a reading, either way: thousands of times the widest counter, and sums and squares of it stay finite."""
LONGEST_NAME = 200
"""Characters of a name; names of home files have at most 64, counters' and interfaces' names some more."""
LONGEST_TEXT = 2_000
"""Characters of a text that a person reads, such as a reason."""
MOST_ITEMS = 10_000
"""Entries of a list whose reader names no bound of its own."""
MOST_OCTETS = 1 << 20
"""Octets of a JSON text whose reader names no bound of its own."""
DEEPEST = 32
"""Levels of nesting of JSON without a type of its own; whichhop's own forms have fewer than ten."""
LINE_COSTS = 40
"""Octets that a line of text counts as when it has fewer; a measurement's has twice as many."""
_MOST_DIGITS = 40
"""Digits before or after a point; a 64-bit count has 19, and a float tells no more than 17 apart."""
_WHOLE = re.compile(rf"[-+]?[0-9]{{1,{_MOST_DIGITS}}}")

T = TypeVar("T")


class OutsideError(DataError):
    """What was received cannot be used; the text is one line: place, problem, remedy."""


def bad(place: str, problem: str, remedy: str = "") -> OutsideError:
    """The complaint, for a reader to raise."""
    return OutsideError(printable(f"{place}: {problem}" + (f"; {remedy}" if remedy else ""), LONGEST_TEXT))


# -- values that have a type already (out of JSON, a packing, a library)


def whole(value: object, place: str, *, low: int = 0, high: int = INT64) -> int:
    """A whole number within [low, high]; True is none, 1.0 is none."""
    if not isinstance(value, int) or isinstance(value, bool):
        raise bad(place, f"{shown(value)} is not a whole number", f"write one from {low} to {high}")
    if not low <= value <= high:
        raise bad(place, f"{shown(value)} is out of range", f"write a whole number from {low} to {high}")
    return int(value)


def number(value: object, place: str, *, low: float, high: float) -> float:
    """A finite number within [low, high] as a float; whole numbers count, True does not; -0.0 becomes 0.0."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise bad(place, f"{shown(value)} is not a number", f"write one from {low:g} to {high:g}")
    # A whole number is compared as such: one of 400 digits has no float.
    if not low <= value <= high or not math.isfinite(value):
        raise bad(place, f"{shown(value)} is out of range", f"write a number from {low:g} to {high:g}")
    return float(value) + 0.0


def truth(value: object, place: str) -> bool:
    """True or false, and nothing that merely looks like it."""
    if not isinstance(value, bool):
        raise bad(place, f"{shown(value)} is not true or false", "write true or false")
    return value


def text(value: object, place: str, *, most: int = LONGEST_TEXT, least: int = 0) -> str:
    """A text of at most `most` characters on one line; characters that act on a terminal become escapes."""
    if not isinstance(value, str):
        raise bad(place, f"{shown(value)} is not a text", "write a text in quotes")
    if not least <= len(value) <= most:
        raise bad(place, f"a text of {len(value)} characters", f"give {least} to {most}")
    return printable(value)


def name(value: object, place: str, *, most: int = LONGEST_NAME) -> str:
    """What names something: never empty, and refused where `text` would escape, since names are compared."""
    given = text(value, place, most=most, least=1)
    if given != value:
        raise bad(
            place, f"the name {shown(value)} has control or invisible characters", "give it a plain name"
        )
    return given


def items(value: object, place: str, *, most: int = MOST_ITEMS) -> list[Any]:
    """A list of at most `most` entries."""
    if not isinstance(value, list):
        raise bad(place, f"{shown(value)} is not a list", "write a list")
    if len(value) > most:
        raise bad(place, f"a list of {len(value)} entries", f"at most {most} are read")
    return value


def mapping(value: object, place: str, *, most: int = MOST_ITEMS) -> dict[str, Any]:
    """A mapping of at most `most` keys, all of them texts."""
    if not isinstance(value, dict):
        raise bad(place, f"{shown(value)} is not an object", "write keys and values")
    if len(value) > most:
        raise bad(place, f"an object of {len(value)} keys", f"at most {most} are read")
    if not all(isinstance(key, str) for key in value):
        raise bad(place, "a key that is not a text", "name every value")
    return value


# -- texts that hold a number or octets


def whole_of(word: str, place: str, *, low: int = 0, high: int = INT64) -> int:
    """A whole number in ASCII digits, sign allowed, within [low, high]."""
    if not _WHOLE.fullmatch(word):
        raise bad(place, f"{shown(word)} is not a whole number", f"write one from {low} to {high}")
    return whole(int(word), place, low=low, high=high)


def octets_of_hex(value: object, place: str, *, length: int) -> bytes:
    """Exactly `length` octets out of twice as many hexadecimal digits."""
    if not isinstance(value, str) or not re.fullmatch(r"[0-9a-fA-F]*", value) or len(value) != 2 * length:
        raise bad(place, f"{shown(value)} is not {length} octets in hexadecimal", "copy it again")
    return bytes.fromhex(value)


def octets_of_base64(value: object, place: str, *, most: int) -> bytes:
    """At most `most` octets out of base64 (RFC 4648 section 4, padded, no other characters)."""
    # Four characters carry three octets, so a text that is too long is refused before it is decoded.
    if not isinstance(value, str) or len(value) > (most + 2) // 3 * 4:
        problem = "not base64" if not isinstance(value, str) else f"more than {most} octets"
        raise bad(place, f"{shown(value, 20)}: {problem}", "copy it again")
    try:
        octets = base64.b64decode(value, validate=True)
    except (binascii.Error, ValueError):
        raise bad(place, f"{shown(value, 20)} is not base64", "copy it again") from None
    if len(octets) > most:
        raise bad(place, f"{len(octets)} octets", f"at most {most} are read")
    return octets


# -- whole documents


def utf8(octets: bytes, place: str) -> str:
    """Strict UTF-8, without a byte-order mark at its start."""
    try:
        return octets.decode("utf-8-sig")
    except UnicodeDecodeError as wrong:
        raise bad(place, f"octet {wrong.start} is not UTF-8 text", "save it as UTF-8") from None


SAME_VERSION = "do both run the same version?"
"""The remedy where whichhop's own forms do not fit."""


def json_of(
    document: bytes | str, place: str, *, most: int = MOST_OCTETS, remedy: str = "write it as JSON"
) -> Any:
    """The value of a JSON text (RFC 8259): no NaN, no infinite number, no lone surrogate, nesting bounded.

    The value's parts are still to be read by the functions above; a reader with a fixed form uses `typed`.
    """
    value = typed(document, place, Any, most=most, remedy=remedy)
    layer: list[Any] = [value] if isinstance(value, dict | list) else []
    for _ in range(DEEPEST + 1):
        below = [v for part in layer for v in (part.values() if isinstance(part, dict) else part)]
        layer = [v for v in below if isinstance(v, dict | list)]
        if not layer:
            return value
    raise bad(place, f"nested deeper than {DEEPEST} levels", "write it flatter")


def typed(
    document: bytes | str,
    place: str,
    form: type[T],
    *,
    most: int = MOST_OCTETS,
    remedy: str = SAME_VERSION,
    strict: bool = True,
) -> T:
    """A JSON text as a value of a type that msgspec reads: fields checked, unknown ones passed over unread.

    Bounds belong into the type: Annotated[int, Meta(ge=0, le=INT64)]. A bare float is finite; not so without
    strict, where a text that is a number is read as one, "NaN" and "Inf" too.
    """
    if len(document) > most:
        raise bad(place, f"{len(document)} octets", f"at most {most} are read")
    try:
        return msgspec.json.decode(document, type=form, strict=strict)
    except msgspec.ValidationError as wrong:
        raise bad(place, f"not as expected: {wrong}", remedy) from None
    except (msgspec.MsgspecError, UnicodeError, RecursionError, OverflowError, ValueError) as wrong:
        raise bad(place, f"not JSON that can be read ({wrong})", remedy) from None


def _plain(value: Any) -> Any:
    if isinstance(value, str):
        return printable(value)
    if isinstance(value, list):
        return [_plain(part) for part in value]
    return {printable(k): _plain(v) for k, v in value.items()} if isinstance(value, dict) else value


def typed_plain(document: bytes | str, place: str, form: type[T], *, most: int = MOST_OCTETS) -> T:
    """As `typed`, for what is shown to a person: every text in it is made printable."""
    return plain(json_of(document, place, most=most, remedy=SAME_VERSION), place, form)


def plain(value: Any, place: str, form: type[T]) -> T:
    """A value out of JSON as one of a type, for what is shown to a person: every text is made printable."""
    try:
        return msgspec.convert(_plain(value), form)
    except msgspec.ValidationError as wrong:
        raise bad(place, f"not as expected: {wrong}", SAME_VERSION) from None


def unfolded(packed: bytes, place: str, *, most: int, wbits: int = zlib.MAX_WBITS) -> bytes:
    """What deflate unfolds to (RFC 1950; wbits as zlib has them), never more than `most` octets in memory."""
    stream = zlib.decompressobj(wbits)
    try:
        body = stream.decompress(packed, most + 1)
    except zlib.error as wrong:
        raise bad(place, f"its packing is damaged ({wrong})", "copy it again") from None
    if len(body) > most:
        raise bad(place, f"it unfolds to more than {most} octets", "nothing that large is read")
    if not stream.eof:
        raise bad(place, "its packing is damaged (its end is missing)", "copy it again")
    if stream.unused_data:
        raise bad(place, f"{len(stream.unused_data)} octets follow its end", "copy it again")
    return body


class Lines(Protocol):
    """Anything that gives octets up to a line's end, such as a file opened in binary or a GzipFile."""

    def readline(self, size: int = -1, /) -> bytes:
        """At most `size` octets, up to and with the line's end; empty at the end."""
        ...


def lines_of(file: Lines, place: str, *, longest: int, most: int) -> Iterator[str]:
    """The lines of UTF-8 text without their ends, one in memory at a time.

    longest: octets of a line. most: octets in all, which bounds what a small gzip file can make us read; a
    line counts as LINE_COSTS at least, since a million empty ones take a second.
    """
    total = row = 0
    while octets := file.readline(longest + 1):
        row += 1
        total += max(len(octets), LINE_COSTS)
        if len(octets) > longest:
            raise bad(f"{place}:{row}", f"a line of more than {longest} octets", "is it the right file?")
        if total > most:
            raise bad(f"{place}:{row}", f"more than {most} octets in all", "read a shorter part")
        yield utf8(octets, f"{place}:{row}").rstrip("\r\n")


@contextmanager
def reading(place: str, remedy: str = "") -> Iterator[None]:
    """What a reader or a library trips over inside becomes an OutsideError; our own errors stay as they are.

    A belt beside the functions above, for readers that index, divide or call a library: a stranger's octets
    must not end a loop because one kind of exception was not thought of.
    """
    try:
        yield
    except OutsideError:
        raise
    except (ValueError, ArithmeticError, LookupError, TypeError, AttributeError, RecursionError) as wrong:
        raise bad(place, f"cannot be read ({type(wrong).__name__}: {wrong})", remedy) from wrong
