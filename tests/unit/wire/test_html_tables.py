"""Tables out of HTML, however careless."""

import html

from hypothesis import given
from hypothesis import strategies as st

from whichhop.wire.html_tables import MOST_CELLS, html_tables

WORD = st.text(st.characters(codec="utf-8", exclude_categories=["C", "Z"]), min_size=1, max_size=8)


@given(st.lists(st.lists(WORD, min_size=1, max_size=5), min_size=1, max_size=5))
def test_what_was_written_is_read(rows: list[list[str]]) -> None:
    page = "<table>" + "".join(
        "<tr>" + "".join(f"<td>{html.escape(c)}</td>" for c in r) + "</tr>" for r in rows
    )
    (table,) = html_tables(page + "</table>")
    assert table.rows == tuple(tuple(r) for r in rows)


@given(st.lists(st.lists(WORD, min_size=1, max_size=5), min_size=1, max_size=5))
def test_missing_end_tags_change_nothing(rows: list[list[str]]) -> None:
    page = "<table>" + "".join("<tr>" + "".join(f"<td>{html.escape(c)}" for c in r) for r in rows)
    (table,) = html_tables(page)
    assert table.rows == tuple(tuple(r) for r in rows)


@given(st.text(max_size=200))
def test_no_text_makes_the_reader_fail(text: str) -> None:
    html_tables(text)


@given(st.text(st.sampled_from(list("<>/=tabler dhcpsno\"'&;!-1")), max_size=200))
def test_no_near_html_makes_the_reader_fail(text: str) -> None:
    html_tables(text)


def test_nested_tables_are_tables_of_their_own() -> None:
    outer, inner = html_tables("<table><tr><td>a<table><tr><td>b</td></tr></table>c</td></tr></table>")
    assert outer.rows == (("ac",),)
    assert inner.rows == (("b",),)


def test_spans_repeat_their_text() -> None:
    page = "<table><tr><td rowspan=2>x<td colspan=2>y<tr><td>1<td>2</table>"
    (table,) = html_tables(page)
    assert table.rows == (("x", "y", "y"), ("x", "1", "2"))


def test_the_caption_or_the_nearest_heading_is_the_title() -> None:
    page = (
        "<h1>A</h1><p>text</p><h2>B</h2><table><tr><td>1</table><table><caption>C</caption><tr><td>2</table>"
    )
    assert [t.title for t in html_tables(page)] == ["B", "C"]


def test_scripts_are_not_text() -> None:
    (table,) = html_tables("<table><tr><td><script>var x = '<td>no</td>';</script>yes</table>")
    assert table.rows == (("yes",),)


def test_a_page_that_is_all_cells_is_cut_off() -> None:
    page = "<table>" + "<tr><td>1</td></tr>" * (MOST_CELLS + 500)
    (table,) = html_tables(page)
    assert sum(len(r) for r in table.rows) == MOST_CELLS


def test_absurd_spans_are_held_down() -> None:
    (table,) = html_tables('<table><tr><td colspan="999999999">x<td rowspan="-3">y</table>')
    assert len(table.rows[0]) < 100
