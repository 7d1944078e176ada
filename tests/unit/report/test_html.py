"""The page: one and the same each time, safe with any text, and its data come out again."""

from html.parser import HTMLParser

from msgspec.structs import replace

from support.dossiers import dossier
from whichhop.report.html import dossier_part, page
from whichhop.report.wire_form import dossier_bytes, read_dossier

EVIL = '</script><script>alert("x")</script><!-- whichhop seal --> & <b>'
VOID = {"meta", "br", "path", "rect", "text"}


class Reader(HTMLParser):
    """Collects headings, and complains of tags that do not nest."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.headings: list[str] = []
        self.scripts = 0

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.scripts += tag == "script"
        if tag != "meta":
            self.open.append(tag)
        if tag in ("h1", "h2", "h3"):
            self.headings.append(tag)

    def handle_startendtag(self, tag: str, attrs: object) -> None:
        pass

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def read(text: str) -> Reader:
    reader = Reader()
    reader.feed(text)
    reader.close()
    assert reader.open == []
    return reader


def test_the_same_dossier_gives_the_same_page() -> None:
    assert page(dossier()) == page(dossier())


def test_the_data_inside_a_page_are_the_dossier() -> None:
    part = dossier_part(page(dossier()))
    assert part == dossier_bytes(dossier())
    assert read_dossier(part, "") == dossier()


def test_no_text_can_leave_its_place_in_the_page() -> None:
    home = replace(dossier().home, name=EVIL)
    text = page(replace(dossier(), home=home))
    assert read(text).scripts == 1
    part = dossier_part(text)
    assert part is not None
    assert read_dossier(part, "").home.name == EVIL


def test_headings_are_one_title_and_its_sections() -> None:
    assert read(page(dossier())).headings == ["h1", *["h2"] * 10]


def test_every_table_has_a_caption_and_headed_rows() -> None:
    text = page(dossier())
    assert text.count("<table>") == text.count("<caption>") > 4
    assert text.count('<th scope="row"') > 20
