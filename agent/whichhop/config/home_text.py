"""A home file's octets become text, or one complaint: not there, of another encoding, or no text at all."""

import codecs
from pathlib import Path

from whichhop.config.load import MOST_CHARACTERS, one_complaint
from whichhop.errors import Complaint, ConfigError

NO_HOME = "give the path of a home file; `whichhop start` makes one, and examples are in configs/"


def read_text(path: Path) -> str:
    """What stands in a home file; ConfigError with one complaint where it cannot be read as text."""
    try:
        with path.open("rb") as file:
            octets = file.read(4 * MOST_CHARACTERS + 1)  # never the whole of a device or a pipe without end
    except (OSError, ValueError) as trouble:
        reason = trouble.strerror if isinstance(trouble, OSError) else "no name of a file"
        remedy = "let this user read it" if isinstance(trouble, PermissionError) else NO_HOME
        raise one_complaint(str(path), f"cannot be read: {reason}", remedy) from trouble
    try:
        text = octets.decode("utf-8")
    except UnicodeDecodeError as trouble:
        utf16 = octets[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
        raise ConfigError([_not_utf8(path, octets, trouble.start, utf16=utf16)]) from trouble
    if "\0" in text[:MOST_CHARACTERS]:
        raise ConfigError([_not_utf8(path, octets, text.index("\0"), utf16=octets[:64].count(0) > 10)])
    return text


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
