"""A home file's octets become text, or one complaint: not there, of another encoding, or another file."""

import codecs
import os
import re
import select
import stat
from pathlib import Path

from whichhop.config.files import STORE_HEAD
from whichhop.config.load import MOST_CHARACTERS, one_complaint
from whichhop.errors import Complaint, ConfigError

NO_HOME = "give the path of a home file; `whichhop start` makes one, and examples are in configs/"
_PATIENCE_MS = 5_000
"""How long a pipe may be silent; what a shell's <(...) makes begins to write at once."""
_OTHERS = (
    (re.escape(STORE_HEAD), "a store of records", "give the home file; a store is named with --store"),
    (rb"\x1f\x8b", "a packed file (gzip)", NO_HOME),
    (rb"PK\x03\x04", "a packed file (zip)", NO_HOME),
    (rb"(?i)\s*<!doctype html", "a page (HTML)", NO_HOME),
    (rb"%PDF-", "a PDF", NO_HOME),
    (
        rb'\s*\{"(minute|sent|at|note|look|call)": ',
        "a file of records",
        "give the home file, and this with --records",
    ),
    # Never quoted: who asks for help with a complaint would show the key with it.
    (rb"\s*[A-Za-z0-9+/]{43}=\s*\Z", "a key", "give the home file beside it, and tell the key to nobody"),
    (rb"\s*-----BEGIN [A-Z ]*KEY", "a key", "give the home file beside it, and tell the key to nobody"),
)
"""How other files begin that lie beside a home file, what they are, and what to do."""


def _octets(path: Path, most: int) -> bytes:
    """At most so many octets: never the whole of a device or of a pipe without end; OSError."""
    if stat.S_ISFIFO(path.stat().st_mode):
        return _of_pipe(path, most)
    with path.open("rb") as file:
        return file.read(most)


def _of_pipe(path: Path, most: int) -> bytes:
    """As `_octets`, without waiting for ever for somebody who writes."""
    with os.fdopen(os.open(path, os.O_RDONLY | os.O_NONBLOCK), "rb") as pipe:
        waiting, octets = select.poll(), b""
        waiting.register(pipe, select.POLLIN)
        while len(octets) < most:
            if not waiting.poll(_PATIENCE_MS):
                raise TimeoutError(0, "a pipe that nobody writes to")
            if not (part := os.read(pipe.fileno(), most - len(octets))):
                break
            octets += part
        return octets


def read_text(path: Path) -> str:
    """What stands in a home file; ConfigError with one complaint where it cannot be read as text."""
    try:
        octets = _octets(path, 4 * MOST_CHARACTERS + 1)
    except (OSError, ValueError) as trouble:
        reason = trouble.strerror if isinstance(trouble, OSError) else "no name of a file"
        remedy = "let this user read it" if isinstance(trouble, PermissionError) else NO_HOME
        raise one_complaint(str(path), f"cannot be read: {reason}", remedy) from trouble
    for begin, what, remedy in _OTHERS:
        if re.match(begin, octets):
            raise one_complaint(str(path), f"no home file: it is {what}", remedy)
    try:
        text = octets.decode("utf-8")
    except UnicodeDecodeError as trouble:
        utf16 = octets[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
        raise ConfigError([_not_utf8(path, octets, trouble.start, utf16=utf16)]) from trouble
    if "\0" in text[:MOST_CHARACTERS]:
        raise ConfigError([_not_utf8(path, octets, text.index("\0"), utf16=_is_utf16(octets[:64]))])
    return text


def _is_utf16(octets: bytes) -> bool:
    """Latin letters in UTF-16, without its mark: every other octet is zero, and no others are."""
    for zeros, letters in ((octets[::2], octets[1::2]), (octets[1::2], octets[::2])):
        if len(zeros) > 3 and not any(zeros) and all(letters):
            return True
    return False


def _not_utf8(path: Path, octets: bytes, at: int, *, utf16: bool) -> Complaint:
    """What a file is that is no text as a home file is; the line of its first strange octet."""
    binary = not utf16 and 0 in octets
    kind = "UTF-16 text, not UTF-8" if utf16 else "no text" if binary else "not UTF-8 text"
    return Complaint(
        file=str(path),
        line=1 if utf16 or binary else octets[:at].count(b"\n") + 1,
        key="",
        problem=f"cannot be read: {kind}",
        remedy=NO_HOME if binary else "save it in the encoding UTF-8 (an editor's Save As has it)",
    )
