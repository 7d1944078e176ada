"""What a PDF carries is read as poppler reads it, and what it shows beside its data is told."""

import contextlib
import io
import subprocess
import time
from pathlib import Path

import pypdf
import pytest
import typst
from hypothesis import given
from hypothesis import strategies as st
from pypdf.annotations import FreeText
from pypdf.generic import DecodedStreamObject, DictionaryObject, NameObject

from support.dossiers import dossier
from support.need import need_program
from whichhop.errors import DataError
from whichhop.report.pdf import DATA, SIGNATURE, pdf, source
from whichhop.report.printed import difference, printed, report_data
from whichhop.report.wire_form import dossier_bytes


@pytest.mark.slow
def test_poppler_finds_the_same_files(tmp_path: Path) -> None:
    paper = pdf(dossier(), "ab" * 64)
    path = tmp_path / "r.pdf"
    path.write_bytes(paper)
    subprocess.run([need_program("pdfdetach"), "-saveall", "-o", str(tmp_path), str(path)], check=True)
    data, signature = report_data(paper)
    assert (tmp_path / DATA).read_bytes() == data == dossier_bytes(dossier())
    assert (tmp_path / SIGNATURE).read_text() == signature == "ab" * 64


def drawn(*streams: bytes) -> bytes:
    """A PDF of one page that draws the first; each can draw the next as the form /N (ISO 32000-1, 8.10)."""
    writer = pypdf.PdfWriter()
    page = writer.add_blank_page(9, 9)
    holders: list[DictionaryObject] = []
    for stream in streams:
        form = DecodedStreamObject()
        form.set_data(stream)
        packed = form.flate_encode()
        packed[NameObject("/Subtype")] = NameObject("/Form")
        place = writer._add_object(packed)
        for above in holders[-1:]:
            names = DictionaryObject({NameObject("/N"): place})
            above[NameObject("/Resources")] = DictionaryObject({NameObject("/XObject"): names})
        if not holders:
            page[NameObject("/Contents")] = place
        holders.append(packed if holders else page)
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


@pytest.mark.parametrize(
    "streams",
    [(b"0 0 m " * 1_000_000,), (*[b"/N Do " * 20] * 6, b"S")],
    ids=["a stream that unfolds", "forms within forms"],
)
def test_a_small_file_that_draws_without_end_is_refused_at_once(streams: tuple[bytes, ...]) -> None:
    begin = time.process_time()
    with pytest.raises(DataError, match="of drawing"):
        printed(drawn(*streams), "r.pdf")
    assert time.process_time() - begin < 5.0  # a quarter of a second where this was written; minutes before
    assert printed(drawn(b"0 0 m 9 9 l S /N Do", b"0 0 m 9 9 l S")).marks["S"] == 2


def test_what_the_reader_remarks_on_a_damaged_file_reaches_no_terminal(
    capfd: pytest.CaptureFixture[str],
) -> None:
    damaged = drawn(b"S").replace(b"/Type /Pages", b"/#1b[2J " + b"<< /A " * 3000 + b"/Type /Pages")
    with contextlib.suppress(DataError):
        printed(damaged, "r.pdf")
    assert capfd.readouterr() == ("", "")


@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused_in_one_line(noise: bytes) -> None:
    for read in (report_data, printed):
        with contextlib.suppress(DataError):
            read(b"%PDF-1.7\n" + noise)


@pytest.mark.slow
def test_other_words_other_marks_and_what_no_report_has_are_told() -> None:
    paper = pdf(dossier())
    due = printed(paper)
    assert difference(printed(paper), due) == ""
    text = source(dossier())
    word = "not the cause"
    assert word in text
    other = printed(bytes(typst.compile(text.replace(word, "the causes").encode())))
    assert "where its data gives" in difference(other, due)
    drawn = printed(bytes(typst.compile((text + "\n#place(top, rect(fill: white))").encode())))
    assert difference(drawn, due)
    writer = pypdf.PdfWriter(clone_from=io.BytesIO(paper))
    note = FreeText(text="else", rect=(50, 550, 200, 650))
    writer.add_annotation(page_number=0, annotation=note)
    out = io.BytesIO()
    writer.write(out)
    assert "/FreeText" in difference(printed(out.getvalue()), due)
