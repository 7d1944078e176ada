"""Forged reports: twenty-odd made with a purpose by who lacks the maker's key, and any number at random."""

import base64
import io
import json
import random
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pypdf
import typst
from msgspec import Struct
from msgspec.structs import replace
from pypdf.annotations import FreeText

from support.time_authority import make_authority, stamped
from whichhop.model import Service
from whichhop.model.chain_signature import fingerprint
from whichhop.model.dossier import Dossier
from whichhop.report.contents import Paper
from whichhop.report.html import dossier_part, page
from whichhop.report.pdf import pdf, source
from whichhop.report.printed import report_data
from whichhop.report.seal import (
    Seal,
    data_signature,
    public_half,
    seal_of,
    sealed,
    sealed_paper,
    unsealed,
    unsealed_paper,
)
from whichhop.report.time_stamp import request
from whichhop.report.wire_form import dossier_bytes, read_dossier

FORGER = bytes(range(32))


class Forgery(Struct, frozen=True, kw_only=True):
    """A forged file's octets and what was done; suffix ".html", ".pdf" or ".json"."""

    what: str
    suffix: str
    data: bytes


class Genuine(Struct, frozen=True, kw_only=True):
    """A report as `whichhop evidence` wrote it, signed by the home's key; another one by the same key."""

    html: str
    paper: bytes
    other_html: str
    secret: bytes

    @property
    def key(self) -> str:
        return public_half(self.secret)

    @property
    def dossier(self) -> Dossier:
        part = dossier_part(unsealed(self.html, "")[0])
        assert part is not None
        return read_dossier(part, "")


def _worse(dossier: Dossier) -> Dossier:
    """With a tenth of the loss the report claims, as a provider would like it."""
    assert dossier.claim is not None
    figures = tuple(
        replace(f, value=f.value / 10) if f.name == "line-loss" and f.value else f
        for f in dossier.claim.figures
    )
    return replace(dossier, claim=replace(dossier.claim, figures=figures))


def _reworded(text: str) -> str:
    changed = text.replace("was not the cause", "was the cause")
    assert changed != text
    return changed


def _page_forgeries(true: Genuine, folder: Path) -> Iterator[tuple[str, str]]:
    text, seal = unsealed(true.html, "")
    assert seal is not None
    mine = public_half(FORGER)
    under_mine = replace(true.dossier, public_key=mine)
    yield "a word changed", _reworded(true.html)
    yield "a word changed, digest made anew", sealed(_reworded(text), seal_of(_reworded(text), None))
    yield "a word changed, sealed by another key", sealed(_reworded(text), seal_of(_reworded(text), FORGER))
    both = page(_worse(under_mine))
    yield "figures and print changed, signed by another key", sealed(both, seal_of(both, FORGER))
    kept = page(_worse(true.dossier))
    yield "figures changed, the maker's key still named", sealed(kept, seal_of(kept, FORGER))
    mixed = sealed(kept, replace(seal, sha256=seal_of(kept, None).sha256))
    yield "figures changed under the maker's old signature", mixed
    bare = page(_worse(replace(true.dossier, public_key=None)))
    yield "figures changed and the signature left out", sealed(bare, seal_of(bare, None))
    far = _reworded(page(replace(under_mine, software="99.0.0")))
    yield "said to be of a version not known here", sealed(far, seal_of(far, FORGER))
    shown = both.replace(fingerprint(mine), fingerprint(true.key)).replace(mine, true.key)
    yield "another key that prints the maker's fingerprint", sealed(shown, seal_of(shown, FORGER))
    hidden = page(under_mine).replace("</style>", ".notice{display:none}</style>")
    yield "the answer hidden by its style", sealed(hidden, seal_of(hidden, FORGER))
    yield "the style changed, nothing else", true.html.replace("</style>", ".notice{display:none}</style>")
    _, other = unsealed(true.other_html, "")
    assert other is not None
    yield "the seal of another true report", sealed(text, other)
    assert seal.signature is not None
    yield "the signature in capitals", sealed(text, replace(seal, signature=seal.signature.upper()))
    yield "something behind the seal", true.html + "<p>and more</p>"
    yield "something before the page", "<p>read this first</p>" + true.html
    yield (
        "a second set of figures before the true one",
        true.html.replace("<main>", '<script type="application/json" id="dossier">{}</script><main>'),
    )
    yield "a script", true.html.replace("</body>", "<script>document.title=1</script></body>")
    again = sealed(sealed(_reworded(text), seal_of(_reworded(text), FORGER)), seal)
    yield "two seals", again
    authority = make_authority(folder)
    response = base64.b64encode(stamped(authority, request(text.encode()))).decode()
    yield (
        "a time-stamp by an authority of the forger's own",
        sealed(text, replace(seal, time_response=response)),
    )
    letter = page(true.dossier, Paper.LETTER)
    other_words = letter.replace("is not excluded", "is excluded")
    assert other_words != letter
    yield (
        "a letter's caveat changed, by its own maker",
        sealed(other_words, seal_of(other_words, true.secret)),
    )
    harsh = page(_worse(under_mine), Paper.LETTER)
    yield "a letter with changed figures, signed by another key", sealed(harsh, seal_of(harsh, FORGER))
    both_heads = text.replace("<main>", letter.partition("<main>")[2].partition("</main>")[0] + "<main>")
    yield "a letter set into a report, by its own maker", sealed(both_heads, seal_of(both_heads, true.secret))
    named = replace(true.dossier, home=replace(true.dossier.home, service=Service(account="1")))
    moved = page(named, Paper.LETTER)
    yield "a letter about another account under the old seal", sealed(moved, seal)
    yield (
        "the maker's own words that are not the figures'",
        sealed(_reworded(text), seal_of(_reworded(text), true.secret)),
    )


def _paper_forgeries(true: Genuine) -> Iterator[tuple[str, bytes]]:
    paper, seal = unsealed_paper(true.paper, "")
    part, signature = report_data(paper)
    assert seal is not None
    assert part is not None
    genuine = read_dossier(part, "")
    reset = bytes(typst.compile(_reworded(source(genuine, signature)).encode()))
    yield "print changed, figures true, digest made anew", sealed_paper(reset, seal_of(reset, None))
    yield "print changed, figures true, sealed by another key", sealed_paper(reset, seal_of(reset, FORGER))
    yield "print changed under the maker's old seal", sealed_paper(reset, seal)
    yield "print changed, no seal", reset
    letter = source(genuine, signature, Paper.LETTER).replace("is not excluded", "is excluded")
    reworded = bytes(typst.compile(letter.encode()))
    yield (
        "a letter's caveat changed, by its own maker",
        sealed_paper(reworded, seal_of(reworded, true.secret)),
    )
    yield "the maker's own print that is not the figures'", sealed_paper(reset, seal_of(reset, true.secret))
    worse = _worse(replace(genuine, public_key=public_half(FORGER)))
    anew = pdf(worse, data_signature(dossier_bytes(worse), FORGER))
    yield "figures and print changed, signed by another key", sealed_paper(anew, seal_of(anew, FORGER))
    writer = pypdf.PdfWriter(clone_from=io.BytesIO(paper))
    writer.add_annotation(page_number=0, annotation=FreeText(text="nothing lost", rect=(50, 550, 300, 650)))
    out = io.BytesIO()
    writer.write(out)
    noted = out.getvalue()
    yield "a note laid over the first page", sealed_paper(noted, seal_of(noted, FORGER))
    yield "an update behind the seal", true.paper + b"1 0 obj<</Type/Catalog>>endobj\ntrailer<<>>\n%%EOF\n"
    writer = pypdf.PdfWriter(clone_from=io.BytesIO(paper))
    writer.add_attachment("second.json", dossier_bytes(worse))
    out = io.BytesIO()
    writer.write(out)
    yield "figures attached twice", sealed_paper(out.getvalue(), seal_of(out.getvalue(), FORGER))


def purposeful(true: Genuine, folder: Path) -> list[Forgery]:
    """Each a file that must not pass; folder: for the forger's own time-stamping authority."""
    made = [
        Forgery(what=f"page: {what}", suffix=".html", data=text.encode())
        for what, text in _page_forgeries(true, folder)
    ]
    made += [Forgery(what=f"PDF: {what}", suffix=".pdf", data=data) for what, data in _paper_forgeries(true)]
    raw = json.loads(dossier_bytes(_worse(true.dossier)))
    made.append(Forgery(what="bare data", suffix=".json", data=msgspec.json.encode(raw)))
    return made


def at_random(true: Genuine, dice: random.Random, count: int) -> Iterator[Forgery]:
    """Octets changed, taken out, put in, doubled or exchanged, anywhere in page or PDF, the seal included."""
    made = 0
    while made < count:
        suffix, whole = dice.choice([(".html", true.html.encode()), (".pdf", true.paper)])
        at = dice.randrange(len(whole))
        # Half of them hit the seal, the figures or the words near the end, where a change is worth something.
        if dice.random() < 0.5:
            at = max(0, len(whole) - 1 - int(dice.expovariate(1 / 400)))
        end = min(len(whole), at + dice.choice([1, 1, 1, 2, 8, 64]))
        piece = whole[at:end]
        match dice.choice(["change", "change", "out", "in", "double", "swap"]):
            case "change":
                new = bytes((piece[0] ^ 1 << dice.randrange(8),)) + piece[1:]
            case "out":
                new = b""
            case "in":
                new = piece + dice.randbytes(len(piece))
            case "double":
                new = piece + piece
            case _:
                new = piece[::-1]
        data = whole[:at] + new + whole[end:]
        if data != whole:
            made += 1
            yield Forgery(what=f"{at} of {len(whole)} octets", suffix=suffix, data=data)


__all__ = ["FORGER", "Forgery", "Genuine", "Seal", "at_random", "purposeful"]
