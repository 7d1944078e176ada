"""What a report's PDF prints and carries, read by pypdf: its words, drawn marks, and attached files."""

import io
import logging
import re
import unicodedata
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pypdf
from msgspec import Struct
from pypdf.generic import ContentStream

from whichhop.errors import DataError

MOST_OCTETS = 64 * 2**20
"""A report's data is some hundred kilobytes; an answer to a file that would unfold without end."""
MOST_PAGES = 500
MOST_DRAWN = 4 * 2**20
"""Octets of drawing in all, each form as often as it is drawn: a hundred pages of a report. Each takes some
microseconds to read, and a small file can unfold, or draw forms within forms, without end."""
_PER_STREAM = 1_000
"""What drawing even an empty form counts as."""
_PAINTS = {b"f", b"F", b"f*", b"B", b"B*", b"b", b"b*", b"S", b"s", b"sh", b"Do", b"BI"}
"""Operators that leave a mark on the page beside text (ISO 32000-1, annex A)."""
_ACTIVE = ("/AA", "/OpenAction", "/AcroForm", "/JavaScript", "/XFA")
"""What makes a PDF show something else than its pages say (12.6, 12.7)."""


# Its remarks on a damaged file have no end, and quote what stands there: nothing for a terminal.
logging.getLogger("pypdf").setLevel(logging.CRITICAL + 1)


class Printed(Struct, frozen=True, kw_only=True):
    """words: of all pages in order, white space left out. marks: how often each painting operator is used.

    fonts: names without the random letters before them. extras: annotations, forms and actions, by kind.
    """

    words: str
    marks: Counter[str]
    fonts: frozenset[str]
    extras: frozenset[str]


def _reader(pdf: bytes, place: str) -> pypdf.PdfReader:
    with _readable(place):
        reader = pypdf.PdfReader(io.BytesIO(pdf), strict=False)
        if len(reader.pages) > MOST_PAGES:
            raise DataError(f"{place}: more than {MOST_PAGES} pages; this is no report")
    return reader


@contextmanager
def _readable(place: str) -> Iterator[None]:
    """Whatever the reader makes of a damaged file, as one line: it raises what its inner parts raise."""
    try:
        yield
    except DataError:
        raise
    except Exception as why:  # seen: NotImplementedError for one changed letter of a filter's name
        raise _unreadable(place) from why


def _unreadable(place: str) -> DataError:
    return DataError(f"{place}: the PDF cannot be read; get the report again")


def report_data(pdf: bytes, place: str = "the report") -> tuple[bytes | None, str | None]:
    """The dossier's bytes and the signature of them that a report's PDF carries; None where missing.

    DataError when the file is damaged, or carries more than one of either: then nobody knows which counts.
    """
    data: list[bytes] = []
    signatures: list[str] = []
    with _readable(place):
        for contents in _reader(pdf, place).attachments.values():
            for body in contents if isinstance(contents, list) else [contents]:
                if len(body) > MOST_OCTETS:
                    raise _unreadable(place)
                if body.startswith(b'{"form":'):
                    data.append(body)
                elif re.fullmatch(rb"[0-9a-f]{128}", body):
                    signatures.append(body.decode())
    if len(data) > 1 or len(signatures) > 1:
        raise DataError(f"{place}: carries the figures twice; get the report again")
    return (data[0] if data else None), (signatures[0] if signatures else None)


def printed(pdf: bytes, place: str = "the report") -> Printed:
    """All that a PDF shows, as far as it can be compared; DataError when it cannot be read."""
    reader = _reader(pdf, place)
    words: list[str] = []
    marks: Counter[str] = Counter()
    fonts: set[str] = set()
    extras: set[str] = set()
    with _readable(place):
        root: Any = reader.trailer["/Root"].get_object()
        extras |= {key for key in _ACTIVE if key in root}
        left = MOST_DRAWN
        for page in reader.pages:
            left = _count(page, reader, marks, fonts, left=left)
            if left < 0:
                raise DataError(f"{place}: more than {MOST_DRAWN >> 20} MB of drawing; this is no report")
        for page in reader.pages:  # only once it is known to be worth it
            # Ligatures and wide forms are read as their letters; a line end is no word of its own.
            text = unicodedata.normalize("NFKC", page.extract_text())
            words.append("".join(c for c in text if not c.isspace() and unicodedata.category(c) != "Cf"))
            extras |= {str(a.get_object().get("/Subtype")) for a in page.get("/Annots") or ()}
    return Printed(words="".join(words), marks=marks, fonts=frozenset(fonts), extras=frozenset(extras))


def _count(
    holder: Any, reader: pypdf.PdfReader, marks: Counter[str], fonts: set[str], *, left: int, deep: int = 0
) -> int:
    """Count the painting operators of a page or form, and of the forms it draws (8.10).

    What is left of `left` octets of drawing, below zero once there were more.
    """
    resources: Any = holder.get("/Resources")
    resources = {} if resources is None else resources.get_object()
    for font in (resources.get("/Font") or {}).values():
        fonts.add(str(font.get_object().get("/BaseFont", "")).rpartition("+")[2])
    stream = holder.get_contents() if hasattr(holder, "get_contents") else holder
    if stream is None:
        return left
    left -= len(stream.get_data()) + _PER_STREAM
    if left < 0:
        return left
    forms = resources.get("/XObject") or {}
    for operands, operator in ContentStream(stream, reader).operations:
        if operator in _PAINTS:
            marks[operator.decode()] += 1
        if operator == b"Do" and deep < 8 and left >= 0:
            drawn = forms[operands[0]].get_object()
            marks[str(drawn.get("/Subtype"))] += 1
            if drawn.get("/Subtype") == "/Form":
                left = _count(drawn, reader, marks, fonts, left=left, deep=deep + 1)
    return left


def difference(found: Printed, due: Printed) -> str:
    """In one phrase what a PDF shows other than it should; "" when nothing."""
    if more := found.extras - due.extras:
        return f"it has what a report has not: {', '.join(sorted(more))}"
    if found.words != due.words:
        at = next((i for i, (a, b) in enumerate(zip(found.words, due.words, strict=False)) if a != b), None)
        at = min(len(found.words), len(due.words)) if at is None else at
        start = max(0, at - 12)
        return (
            f"it prints {found.words[start : at + 24]!r} where its data gives {due.words[start : at + 24]!r}"
        )
    if found.marks != due.marks:
        return "it draws other marks than its data gives"
    return ""
