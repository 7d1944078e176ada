"""Reads the files attached to a report's PDF, without a PDF library: their streams stand by themselves."""

import re
import zlib
from collections.abc import Iterator

_STREAM = re.compile(rb"<<(?P<facts>[^\0]{0,400}?/Type\s*/EmbeddedFile[^\0]{0,400}?)>>\s*stream\r?\n", re.S)
MOST_OCTETS = 64 * 2**20
"""A report's data is some hundred kilobytes; an answer to a PDF that would unfold without end."""


def attachments(pdf: bytes) -> Iterator[bytes]:
    """The content of each file embedded in a PDF (ISO 32000-1, 7.11.4), in the order of the file.

    Such streams are never inside other streams (7.5.7). Those that cannot be read are passed over: whoever
    looks for the report's data will not find it.
    """
    for found in _STREAM.finditer(pdf):
        length = re.search(rb"/Length\s+(\d+)(?!\s+\d+\s+R)", found["facts"])
        if length is None:
            continue
        body = pdf[found.end() : found.end() + int(length[1])]
        if b"/FlateDecode" in found["facts"]:
            try:
                body = zlib.decompressobj().decompress(body, MOST_OCTETS)
            except zlib.error:
                continue
        elif b"/Filter" in found["facts"]:
            continue
        yield body


def report_data(pdf: bytes) -> tuple[bytes | None, str | None]:
    """The dossier's bytes and the signature of them that a report's PDF carries; None where missing."""
    data, signature = None, None
    for body in attachments(pdf):
        if body.startswith(b'{"form":'):
            data = body
        elif re.fullmatch(rb"[0-9a-f]{128}", body):
            signature = body.decode()
    return data, signature
