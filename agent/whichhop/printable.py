"""Text from anywhere made fit for one line of a terminal, a log or a page: nothing acts, nothing is lost.

A terminal obeys escape codes (ECMA-48: they begin with ESC or a C1 control), a log is split by line ends, a
bidirectional override makes a reader see another order than a program does (Unicode Standard Annex 9), and
two names that differ by what has no width look the same (Unicode Technical Report 36, 2.10.4). All these are
shown as the escapes that Python and JSON write, so that a reader sees what stands there.
"""

import unicodedata
from urllib.parse import urlsplit

LONGEST_SHOWN = 60
"""Characters of a received value that a complaint quotes: enough to find it, short enough for a line."""

# UAX 9: the embeddings, overrides and isolates. Joiners and direction marks stay: several scripts need them.
_TURNING = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
# What has no width and no script needs in a name (Unicode's Default_Ignorable_Code_Point): soft hyphen, zero
# width space, word joiner, invisible operators, deprecated formats, byte-order mark, annotations, fillers.
_UNSEEN = frozenset(
    "\u00ad\u034f\u115f\u1160\u17b4\u17b5\u180e\u200b\u3164\ufeff\uffa0\ufff9\ufffa\ufffb"
) | {chr(code) for code in (*range(0x2060, 0x2066), *range(0x206A, 0x2070))}
_TAGS = range(0xE0000, 0xE1000)
"""Plane 14: copies of ASCII that nothing draws, with which a name can carry a whole message."""
# Cc: C0, DEL and C1. Cs: lone surrogates, which no encoding of a terminal can write. Zl, Zp: line ends.
_ACTING = frozenset({"Cc", "Cs", "Zl", "Zp"})


def _acts(character: str) -> bool:
    unseen = character in _TURNING or character in _UNSEEN or ord(character) in _TAGS
    return unseen or unicodedata.category(character) in _ACTING


def _escape(character: str) -> str:
    code = ord(character)
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def printable(text: str, most: int | None = None) -> str:
    """The text on one line with every acting character as its escape; cut to `most` characters, then "...".

    Line ends and tabs become a blank each: they stand for one in most of what is quoted.
    """
    if most is not None and len(text) > most:
        return printable(text[: max(0, most - 3)]) + "..."
    if text.isascii() and text.isprintable():  # nearly all there is: quick
        return text
    calm = text.replace("\r\n", " ").replace("\n", " ").replace("\t", " ")
    return "".join(_escape(c) if _acts(c) else c for c in calm)


def shown(value: object, most: int = LONGEST_SHOWN) -> str:
    """A received value as a complaint quotes it: short, on one line, never an error, whatever it is."""
    if isinstance(value, str):
        return repr(printable(value, most))
    if isinstance(value, bytes | bytearray):
        return repr(bytes(value[:most]))[: most + 3] + ("..." if len(value) > most else "")
    if isinstance(value, int) and not isinstance(value, bool) and value.bit_length() > 4 * most:
        return f"a number of {value.bit_length()} bits"  # text of it costs time that grows with its square
    if isinstance(value, list | tuple | set | frozenset | dict):
        return f"a {'mapping' if isinstance(value, dict) else 'list'} of {len(value)}"
    return printable(str(value), most)


def without_secrets(url: str) -> str:
    """An address of the web as a line may quote it: scheme, host, port and path (RFC 3986 3).

    A user, a password, and what stands behind ? or # may be secrets, and a line ends up in logs, and with
    whoever is asked for help.
    """
    try:
        parts = urlsplit(url)
    except ValueError:
        return shown(url.rpartition("@")[2].partition("?")[0].partition("#")[0])
    host = parts.netloc.rpartition("@")[2]
    return printable(f"{parts.scheme}://{host}{parts.path}" if host else parts.path or parts.scheme)
