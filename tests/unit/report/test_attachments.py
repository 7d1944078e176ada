"""The files in a PDF are read back as poppler reads them, and a damaged one yields nothing."""

import re
import subprocess
import zlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.dossiers import dossier
from support.need import need_program
from whichhop.report.attachments import attachments, report_data
from whichhop.report.pdf import DATA, SIGNATURE, pdf
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


def stream(facts: bytes, body: bytes) -> bytes:
    return b"1 0 obj\n<<" + facts + b">>\nstream\n" + body + b"\nendstream\nendobj\n"


def test_plain_and_deflated_streams_are_read_and_others_passed_over() -> None:
    folded = zlib.compress(b"second")
    made = b"%PDF-1.7\n" + b"".join(
        (
            stream(b"/Length 5/Type/EmbeddedFile", b"first"),
            stream(b"/Filter /FlateDecode /Type /EmbeddedFile /Length %d" % len(folded), folded),
            stream(b"/Length 5/Type/EmbeddedFile/Filter/LZWDecode", b"third"),
            stream(b"/Length 5/Type/XObject", b"image"),
            stream(b"/Length 5/Type/EmbeddedFile/Filter/FlateDecode", b"no zl"),
        )
    )
    assert list(attachments(made)) == [b"first", b"second"]


@given(st.binary(max_size=300))
def test_any_bytes_are_read_without_an_error(noise: bytes) -> None:
    made = stream(b"/Length 9/Type/EmbeddedFile", noise) + noise
    assert all(isinstance(body, bytes) for body in attachments(made))
    assert re.fullmatch("[0-9a-f]{128}", report_data(made)[1] or "0" * 128)
