"""Readers of reports that somebody hands over: the page, the PDF, their seals, data and time-stamps."""

import io
import json
from functools import cache

import pypdf
from pypdf.generic import DecodedStreamObject, NameObject

from fuzz.allowed import allowed, named
from support.dossiers import dossier
from whichhop.report.html import CLOSE, OPEN, dossier_part
from whichhop.report.printed import printed, report_data
from whichhop.report.seal import seal_of, sealed, sealed_paper, trouble, unsealed, unsealed_paper
from whichhop.report.time_stamp import read_response
from whichhop.report.wire_form import dossier_bytes, read_dossier

SECRET = bytes(range(32))


def report_page(octets: bytes) -> None:
    """Text, or `verify` has said so before any of this is asked."""

    def read() -> None:
        page, seal = unsealed(text, "evening.html")
        part = dossier_part(page)
        if part is not None:
            read_dossier(part, "evening.html")
        trouble(page, seal, None)

    try:
        text = octets.decode()
    except UnicodeDecodeError:
        return
    allowed(read)


def report_paper(octets: bytes) -> None:
    def read() -> None:
        pdf, seal = unsealed_paper(octets, "evening.pdf")
        trouble(pdf, seal, None)
        data, _ = report_data(pdf, "evening.pdf")
        if data is not None:
            read_dossier(data, "evening.pdf")

    allowed(read)
    allowed(lambda: printed(octets, "evening.pdf"))


def report_dossier(octets: bytes) -> None:
    def read() -> None:
        found = read_dossier(octets, "evening.json")
        dossier_bytes(found)

    allowed(read)


def time_response(octets: bytes) -> None:
    allowed(lambda: read_response(octets))


TARGETS = named(report_page, report_paper, report_dossier, time_response)


@cache
def _data() -> bytes:
    return dossier_bytes(dossier())


def _page() -> bytes:
    page = "<!doctype html><p>An evening</p>" + OPEN + _data().decode().replace("<", "\\u003c") + CLOSE
    return sealed(page, seal_of(page, SECRET)).encode()


def _paper() -> bytes:
    """A page of a line of text and a rectangle, with an attachment, as a report's PDF has them."""
    writer = pypdf.PdfWriter()
    page = writer.add_blank_page(200, 100)
    stream = DecodedStreamObject()
    stream.set_data(b"BT /F1 12 Tf 10 50 Td (An evening) Tj ET 10 10 50 20 re f")
    page[NameObject("/Contents")] = writer._add_object(stream)
    writer.add_attachment("data.json", json.dumps({"form": 1}).replace(" ", "").encode())
    out = io.BytesIO()
    writer.write(out)
    pdf = out.getvalue()
    return sealed_paper(pdf, seal_of(pdf, SECRET))


SEEDS = {
    "report_page": lambda: [_page()],
    "report_paper": lambda: [_paper()],
    "report_dossier": lambda: [_data()],
    # RFC 3161 2.4.2 by hand: refused (2) and granted (0), each without a token
    "time_response": lambda: [bytes.fromhex("30053003020102"), bytes.fromhex("30053003020100")],
}
