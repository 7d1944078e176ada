"""The tables of an HTML page as rows of text, however carelessly the page is written.

A general HTML parser (libxml2, by lxml) repairs the page and tells its elements one by one; here they become
rows. Its work grows no faster than the page, whatever stands on it, and so does ours.
"""

from collections.abc import Mapping
from typing import Protocol

from lxml import etree
from msgspec import Struct, field

from whichhop.printable import printable

MOST_CELLS = 20_000
"""Cells read of one page; a modem's page has a few hundred."""
_MOST_COLUMNS = 400
"""Cells of one row, those repeated by spans counted: a sideways table has a column a channel."""
_MOST_KEPT = 60_000
"""Cells in all rows together, those repeated by spans counted."""
MOST_TABLES = 500
"""Tables kept of one page; pages that nest them for layout have some dozens."""
_MOST_SPAN = 64
_PIECE = 1 << 16
_SILENT = frozenset({"script", "style", "template", "noscript"})
_HEADINGS = frozenset({"h1", "h2", "h3", "h4", "h5", "h6", "caption", "legend"})


class HtmlTable(Struct, frozen=True, kw_only=True):
    """A table. title: its caption, or the nearest heading or text before it. rows may differ in length."""

    title: str
    rows: tuple[tuple[str, ...], ...]


class _Open(Struct):
    """A table being read: finished rows, the row and cell at work, cells that reach into later rows."""

    title: str
    order: int
    rows: list[tuple[str, ...]] = field(default_factory=list)
    kept: int = 0
    row: list[str] | None = None
    cell: list[str] | None = None
    span: tuple[int, int] = (1, 1)
    hanging: dict[int, tuple[str, int]] = field(default_factory=dict)

    def start_row(self) -> None:
        self.end_row()
        self.row = []
        self.fill()

    def fill(self) -> None:
        """Repeat cells of earlier rows that span into this one."""
        while self.row is not None and len(self.row) < _MOST_COLUMNS and len(self.row) in self.hanging:
            column = len(self.row)
            text, left = self.hanging.pop(column)
            self.row.append(text)
            if left > 1:
                self.hanging[column] = (text, left - 1)

    def end_cell(self) -> None:
        if self.cell is None or self.row is None:
            return
        text = " ".join("".join(self.cell).split())
        across, down = self.span
        for _ in range(min(across, _MOST_COLUMNS - len(self.row))):
            if down > 1:
                self.hanging[len(self.row)] = (text, down - 1)
            self.row.append(text)
        self.cell = None
        self.fill()

    def end_row(self) -> None:
        self.end_cell()
        if self.row is not None:
            self.rows.append(tuple(self.row))
            self.kept += len(self.row)
            self.row = None
            if self.kept >= _MOST_KEPT:
                self.hanging.clear()  # of a page that is given up nothing is repeated any more


def _span(attributes: Mapping[str, str], name: str) -> int:
    text = attributes.get(name) or "1"
    return min(max(int(text), 1), _MOST_SPAN) if text.isascii() and text.isdigit() else 1


class Reads(Protocol):
    """What hears a page's elements in the order of the page."""

    @property
    def full(self) -> bool:
        """True when no more is wanted."""
        ...

    def start(self, tag: str, attrs: Mapping[str, str]) -> None:
        """An element begins."""
        ...

    def end(self, tag: str) -> None:
        """It ends."""
        ...

    def data(self, data: str) -> None:
        """Text."""
        ...

    def close(self) -> None:
        """The page is over."""
        ...


class _Reader:
    """Takes elements as the parser tells them; keeps a stack of open tables, since pages nest them."""

    def __init__(self) -> None:
        self.stack: list[_Open] = []
        self.done: list[tuple[int, _Open]] = []
        self.recent: list[str] = []
        self.heading: list[str] | None = None
        self.silent = 0
        self.count = 0
        self.cells = 0
        self.kept = 0

    @property
    def full(self) -> bool:
        """A page with so much is none of a modem."""
        kept = self.kept + sum(table.kept for table in self.stack)
        return self.cells > MOST_CELLS or self.count > MOST_TABLES or kept >= _MOST_KEPT

    def start(self, tag: str, attrs: Mapping[str, str]) -> None:
        """An element begins."""
        if tag in _SILENT:
            self.silent += 1
        elif tag == "table" and self.count <= MOST_TABLES:
            title = " ".join(" ".join(self.recent).split())[-200:]
            self.stack.append(_Open(title=title, order=self.count))
            self.count += 1
            self.recent = []
        elif tag in _HEADINGS:
            self.heading = []
        elif tag == "br":
            self.data(" ")
        elif self.stack:
            table = self.stack[-1]
            if tag == "tr":
                table.start_row()
            elif tag in ("td", "th"):
                if table.row is None:
                    table.start_row()
                table.end_cell()
                self.cells += 1
                wide = self.cells > MOST_CELLS
                table.span = (1, 1) if wide else (_span(attrs, "colspan"), _span(attrs, "rowspan"))
                table.cell = None if wide else []

    def end(self, tag: str) -> None:
        """An element ends; the parser tells it even where the page does not."""
        if tag in _SILENT:
            self.silent = max(0, self.silent - 1)
        elif tag in _HEADINGS and self.heading is not None:
            text = " ".join("".join(self.heading).split())
            self.heading = None
            if tag == "caption" and self.stack:
                self.stack[-1].title = text
            elif not self.stack or self.stack[-1].cell is None:
                self.recent = [text]
        elif self.stack:
            table = self.stack[-1]
            if tag in ("td", "th"):
                table.end_cell()
            elif tag == "tr":
                table.end_row()
            elif tag == "table":
                self._close()

    def data(self, data: str) -> None:
        """Text of the element that is open."""
        if self.silent:
            return
        if self.heading is not None:
            self.heading.append(data)
        if self.stack and self.stack[-1].cell is not None:
            self.stack[-1].cell.append(data)
        elif self.heading is None and data.strip():
            self.recent = [*self.recent, data][-3:]

    def _close(self) -> None:
        table = self.stack.pop()
        table.end_row()
        self.kept += table.kept
        self.done.append((table.order, table))

    def close(self) -> None:
        """The page is over."""
        while self.stack:
            self._close()


def read_html(page: str, reader: Reads) -> None:
    """Have a page told to a reader: `start`, `end`, `data` for each element, `close` at its end."""
    # The parser takes octets; a zero octet would end its reading, and HTML has it shown as a replacement.
    octets = page.replace("\0", "\ufffd").encode("utf-8", "replace")
    if not octets.strip():
        reader.close()
        return
    parser = etree.HTMLParser(target=reader, encoding="utf-8", no_network=True, remove_pis=True)
    for begin in range(0, len(octets), _PIECE):
        parser.feed(octets[begin : begin + _PIECE])
        if reader.full:
            break
    try:
        parser.close()
    except etree.XMLSyntaxError:  # nothing on the page at all
        reader.close()


def html_tables(page: str) -> tuple[HtmlTable, ...]:
    """Every table of a page in the order they begin, nested ones too; spanning cells are repeated.

    Never fails: what is not HTML has no tables.
    """
    reader = _Reader()
    read_html(page, reader)
    return tuple(
        HtmlTable(title=printable(t.title), rows=tuple(r for r in t.rows if any(r)))
        for _, t in sorted(reader.done, key=lambda p: p[0])
    )
