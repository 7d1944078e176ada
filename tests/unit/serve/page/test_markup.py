from html import escape
from html.parser import HTMLParser

from hypothesis import given
from hypothesis import strategies as st

from whichhop.serve.page.figures import Markup, join, tag, unseen


class Reader(HTMLParser):
    """Python's own reader of HTML: what elements, attributes and text come out again."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data


def read(markup: str) -> Reader:
    reader = Reader()
    reader.feed(markup)
    reader.close()
    return reader


# A line feed is what HTML makes of carriage returns; NUL has no place in it.
TEXT = st.text(st.characters(exclude_characters="\r\0", exclude_categories=("Cs",)))


@given(TEXT, TEXT)
def test_text_and_attributes_come_out_as_they_went_in_and_make_no_element(text: str, value: str) -> None:
    found = read(tag("p", text, title=value))
    assert found.elements == [("p", {"title": value})]
    assert found.text == text


@given(st.text())
def test_text_is_escaped_as_the_standard_library_escapes_it(text: str) -> None:
    assert join(text) == escape(text)


def test_only_markup_passes_unchanged() -> None:
    assert tag("b", Markup("<i>x</i>"), "<i>") == "<b><i>x</i>&lt;i&gt;</b>"
    assert join("<", ["&", None, [tag("b", "x")]]) == "&lt;&amp;<b>x</b>"


def test_attributes_are_named_as_html_names_them() -> None:
    made = tag("p", class_="a", aria_label="b", data_part=True, hidden=False, id=None, x=1.0)
    assert made == '<p class="a" aria-label="b" data-part x="1.00"></p>'


def test_elements_without_an_end_have_none_in_html_and_are_closed_in_svg() -> None:
    assert tag("meta", charset="utf-8") == '<meta charset="utf-8">'
    assert tag("rect", x=1) == '<rect x="1"/>'
    assert unseen("a") == '<span class="unseen">a</span>'
