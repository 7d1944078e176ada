"""The tables of an HTML page as rows of text, however carelessly the page is written."""

from dataclasses import dataclass, field
from html.parser import HTMLParser

MOST_CELLS = 20_000
"""Cells kept of one page; a modem's page has a few hundred."""
_MOST_SPAN = 64
_SILENT = frozenset({"script", "style", "template", "noscript"})
_HEADINGS = frozenset({"h1", "h2", "h3", "h4", "h5", "h6", "caption", "legend"})


@dataclass(frozen=True, slots=True, kw_only=True)
class HtmlTable:
    """A table. title: its caption, or the nearest heading or text before it. rows may differ in length."""

    title: str
    rows: tuple[tuple[str, ...], ...]


@dataclass(slots=True)
class _Open:
    """A table being read: finished rows, the row and cell at work, cells that reach into later rows."""

    title: str
    order: int
    rows: list[tuple[str, ...]] = field(default_factory=list)
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
        while self.row is not None and len(self.row) in self.hanging:
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
        for _ in range(across):
            if down > 1:
                self.hanging[len(self.row)] = (text, down - 1)
            self.row.append(text)
        self.cell = None
        self.fill()

    def end_row(self) -> None:
        self.end_cell()
        if self.row is not None:
            self.rows.append(tuple(self.row))
            self.row = None


def _span(attributes: dict[str, str | None], name: str) -> int:
    text = attributes.get(name) or "1"
    return min(max(int(text), 1), _MOST_SPAN) if text.isascii() and text.isdigit() else 1


class _Reader(HTMLParser):
    """Keeps a stack of open tables, since pages nest them for layout; end tags may be missing."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.stack: list[_Open] = []
        self.done: list[tuple[int, _Open]] = []
        self.recent: list[str] = []
        self.heading: list[str] | None = None
        self.silent = 0
        self.count = 0
        self.cells = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in _SILENT:
            self.silent += 1
        elif tag == "table":
            title = " ".join(" ".join(self.recent).split())[-200:]
            self.stack.append(_Open(title=title, order=self.count))
            self.count += 1
            self.recent = []
        elif tag in _HEADINGS:
            self.heading = []
        elif tag == "br":
            self.handle_data(" ")
        elif self.stack:
            table = self.stack[-1]
            if tag == "tr":
                table.start_row()
            elif tag in ("td", "th"):
                if table.row is None:
                    table.start_row()
                table.end_cell()
                self.cells += 1
                wide, self_attrs = self.cells > MOST_CELLS, dict(attrs)
                table.span = (1, 1) if wide else (_span(self_attrs, "colspan"), _span(self_attrs, "rowspan"))
                table.cell = None if wide else []

    def handle_endtag(self, tag: str) -> None:
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

    def handle_data(self, data: str) -> None:
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
        self.done.append((table.order, table))

    def close(self) -> None:
        super().close()
        while self.stack:
            self._close()


def html_tables(page: str) -> tuple[HtmlTable, ...]:
    """Every table of a page in the order they begin, nested ones too; spanning cells are repeated.

    Never fails: what is not HTML has no tables.
    """
    reader = _Reader()
    reader.feed(page)
    reader.close()
    return tuple(
        HtmlTable(title=t.title, rows=tuple(r for r in t.rows if any(r)))
        for _, t in sorted(reader.done, key=lambda p: p[0])
    )
