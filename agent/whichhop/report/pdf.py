"""The same sections on paper, set by typst, which needs no system library; the data is attached to it."""

from datetime import UTC, datetime

import typst

from whichhop.model.dossier import Dossier
from whichhop.report.blocks import Block, Bullets, FactList, Fixed, Grid, Notice, Para, Picture, Section, Tone
from whichhop.report.contents import Paper, contents, title_of
from whichhop.report.plot import style
from whichhop.report.wire_form import dossier_bytes

DATA, SIGNATURE = "dossier.json", "dossier.sig"
"""The files attached to the PDF: the figures as data, and the signature of that data."""
_TONES = {Tone.CLAIM: "#9a3c00", Tone.HOLD: "#5b4a00", Tone.NO_FAULT: "#00573f"}
_SHORT = 12
"""Characters of a cell that is set in one line."""
_PREAMBLE = """
#set page(paper: "a4", margin: 14mm, footer: context align(right, text(size: 7pt, fill: luma(90))[
  #counter(page).display("1 of 1", both: true)]))
#set text(font: ("DejaVu Sans", "Libertinus Serif"), size: 8.5pt, lang: "en")
#set par(leading: 0.55em)
#show heading.where(level: 1): set text(size: 14pt)
#show heading.where(level: 2): set text(size: 11pt)
#set table(stroke: (x, y) => (bottom: 0.4pt + luma(190)), inset: (x: 4pt, y: 3pt))
"""


def _quoted(text: str) -> str:
    """A typst string: what stands in it can never be read as markup."""
    safe = "".join(f"\\u{{{ord(c):x}}}" if ord(c) < 32 else "\\" + c if c in '"\\' else c for c in text)
    return f'"{safe}"'


def _broken(text: str) -> str:
    """Long digests get places where a line may end."""
    return "\u200b".join(text[i : i + 8] for i in range(0, len(text), 8)) if len(text) == 64 else text


def _grid(grid: Grid) -> str:
    columns = len(grid.head)
    widths = []
    for i in range(columns):
        # Heads are bold: a quarter wider than what stands below.
        longest = max([1.25 * len(grid.head[i]), *(len(row[i]) for row in grid.rows)], default=1)
        # What is short is set whole: in a share of the width it would run into its neighbour.
        widths.append("auto" if longest <= _SHORT else f"{min(longest, 44):g}fr")
    align = ", ".join("right" if i in grid.numbers else "left" for i in range(columns))
    cells = [f"table.header({', '.join(f'strong({_quoted(h)})' for h in grid.head)})"]
    for place, row in enumerate(grid.rows):
        for cell in row:
            words = f"text({_quoted(_broken(cell))})"
            cells.append(f'table.cell(fill: rgb("#fbeee4"), {words})' if place in grid.marked else words)
    columns_words = ", ".join(widths) + ","
    table = f"table(columns: ({columns_words}), align: ({align},), {', '.join(cells)})"
    return (
        f"#block(breakable: true)[#text(size: 7.5pt, fill: luma(70), {_quoted(grid.caption)})\n"
        f"#set text(size: 6.6pt)\n#{table}]"
    )


def _picture(picture: Picture) -> str:
    coloured = picture.svg.replace(">", f"><style>{style()}</style>", 1)
    # typst has no system-ui; the page's own font family is named instead.
    coloured = coloured.replace("system-ui, sans-serif", "DejaVu Sans")
    return (
        f'#block(breakable: false)[#image(bytes({_quoted(coloured)}), format: "svg", width: 86%,'
        f" alt: {_quoted(picture.shows)})\n#text(size: 7.5pt, fill: luma(70), {_quoted(picture.caption)})]"
    )


def _block(block: Block) -> str:  # noqa: PLR0911 # one return a kind of block
    match block:
        case Para(text=text):
            return f"#par(text({_quoted(text)}))"
        case Notice(tone=tone, head=head, text=text):
            colour = f'rgb("{_TONES[tone]}")'
            return (
                f"#block(stroke: (left: 2.5pt + {colour}), inset: (left: 7pt, y: 3pt))["
                f'#text(size: 12pt, weight: "bold", fill: {colour}, {_quoted(head)})\n\n'
                f"#text(size: 9.5pt, {_quoted(text)})]"
            )
        case Bullets(items=items):
            return "#list(" + ", ".join(f"text({_quoted(i)})" for i in items) + ")"
        case FactList(pairs=pairs):
            cells = ", ".join(f"text(fill: luma(70), {_quoted(a)}), text({_quoted(b)})" for a, b in pairs)
            return f"#grid(columns: (auto, 1fr), column-gutter: 10pt, row-gutter: 4.5pt, {cells})"
        case Fixed(text=text):
            return f'#par(text(font: "DejaVu Sans Mono", size: 7pt, {_quoted(_broken(text))}))'
        case Picture():
            return _picture(block)
        case Grid():
            return _grid(block)


def _section(section: Section, *, first: bool, more: bool) -> str:
    inner = "\n\n".join(_block(b) for b in section.blocks)
    if first:
        return inner + ("\n#pagebreak()" if more else "")
    return f"#heading(level: 2, {_quoted(section.title)})\n\n{inner}"


def _attached(name: str, text: str, mime: str, words: str) -> str:
    return (
        f'#pdf.attach("{name}", bytes({_quoted(text)}), relationship: "data", mime-type: "{mime}",'
        f" description: {_quoted(words)})"
    )


def source(dossier: Dossier, signature: str | None = None, paper: Paper = Paper.REPORT) -> str:
    """The typst text of the report. signature: of its data, hexadecimal, to be printed and attached."""
    title = title_of(dossier, paper)
    made = contents(dossier, paper)
    parts = [_section(s, first=place == 0, more=len(made) > 1) for place, s in enumerate(made)]
    return "\n\n".join(
        [
            f"#set document(title: {_quoted(title)}, date: {_date(dossier.made_ns)})",
            _PREAMBLE,
            f"#heading(level: 1, {_quoted(title)})",
            *parts,
            *([_block(b) for b in _signed(signature)] if signature and paper is Paper.REPORT else ()),
            _attached(DATA, dossier_bytes(dossier).decode(), "application/json", "the figures as data"),
            *([_attached(SIGNATURE, signature, "text/plain", "of the data")] if signature else ()),
        ]
    )


def _date(at_ns: int) -> str:
    at = datetime.fromtimestamp(at_ns // 1_000_000_000, UTC)
    return f"datetime(year: {at.year}, month: {at.month}, day: {at.day})"


def _signed(signature: str) -> tuple[Block, ...]:
    return (
        Para("Signature of the data's digest by the home's key (Ed25519, RFC 8032):"),
        Fixed(signature[:64]),
        Fixed(signature[64:]),
    )


def pdf(dossier: Dossier, signature: str | None = None, paper: Paper = Paper.REPORT) -> bytes:
    """A paper as PDF, without its seal; the same dossier gives the same PDF on the same machine."""
    return bytes(typst.compile(source(dossier, signature, paper).encode()))
