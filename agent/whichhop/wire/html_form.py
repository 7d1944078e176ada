"""What a page that shows no levels is instead: a login, or a frame that a script fills in a browser."""

import re
from collections.abc import Mapping

from msgspec import Struct, field

from whichhop.outside import LONGEST_NAME
from whichhop.printable import printable
from whichhop.wire.html_tables import read_html

MOST_FIELDS = 50
_MOST_ELEMENTS = 20_000
_LONGEST_VALUE = 2_000
_LEAST_TEXT = 400
"""Characters of text besides scripts; a page of levels has thousands, the bare frame of one some dozens."""
_LOGIN = re.compile(r"log-?in|sign-?in|auth|password", re.IGNORECASE)
_LOGIN_WORDS = re.compile(r"\b(?:log|sign)[- ]?(?:in|on)\b|password", re.IGNORECASE)
_GOES = re.compile(r"(?:location(?:\.href)?\s*=|location\.replace\(|url\s*=)\s*['\"]?([^'\"\s;>)]{1,200})")
"""How a script or a refresh sends a browser to another page."""


class Page(Struct):
    """What was seen of a page. hidden: its forms' hidden fields, first come first.

    speaks_of_login: its text asks the reader to log in, whether a form is there or drawn later.
    action, user_field, password_field: of the form that asks for a password; "" where it does not say.
    moves_to: where a script or a refresh sends the browser.
    """

    hidden: dict[str, str] = field(default_factory=dict)
    asks_password: bool = False
    action: str = ""
    user_field: str = ""
    password_field: str = ""
    scripts: int = 0
    text: int = 0
    moves_to: str = ""
    speaks_of_login: bool = False

    @property
    def is_login(self) -> bool:
        """True where the reader is asked for a password, or sent where one is asked for."""
        return self.asks_password or bool(self.moves_to and _LOGIN.search(self.moves_to))

    @property
    def is_drawn_by_script(self) -> bool:
        """True where there is little but scripts."""
        return self.scripts > 0 and self.text < _LEAST_TEXT


class _Reader:
    def __init__(self) -> None:
        self.page = Page()
        self._action = self._name = ""
        self._silent = self._seen = 0

    @property
    def full(self) -> bool:
        """What tells the kinds of pages apart stands near their beginning."""
        return self._seen > _MOST_ELEMENTS

    def start(self, tag: str, attrs: Mapping[str, str]) -> None:
        self._seen += 1
        if tag == "form":
            self._action, self._name = attrs.get("action") or "", ""
        elif tag == "input":
            self._input(attrs)
        elif tag == "meta" and (attrs.get("http-equiv") or "").lower() == "refresh":
            self._moves(attrs.get("content") or "")
        elif tag == "script":
            self.page.scripts += 1
            self._silent += 1
        elif tag in ("style", "noscript", "template"):
            self._silent += 1

    def _input(self, attrs: Mapping[str, str]) -> None:
        page, kind = self.page, (attrs.get("type") or "text").lower()
        name = printable(attrs.get("name") or "", LONGEST_NAME)
        if kind == "password" and not page.asks_password:
            page.asks_password = True
            page.action, page.user_field, page.password_field = self._action, self._name, name
        elif kind == "hidden" and attrs.get("name") and len(page.hidden) < MOST_FIELDS:
            page.hidden.setdefault(attrs["name"], (attrs.get("value") or "")[:_LONGEST_VALUE])
        elif kind in ("text", "email"):
            self._name = name

    def end(self, tag: str) -> None:
        if tag in ("script", "style", "noscript", "template"):
            self._silent = max(0, self._silent - 1)

    def data(self, data: str) -> None:
        if self._silent:
            self._moves(data[:_LONGEST_VALUE])
        else:
            self.page.text += len(data.strip())
            if not self.page.speaks_of_login and _LOGIN_WORDS.search(data[:_LONGEST_VALUE]):
                self.page.speaks_of_login = True

    def _moves(self, text: str) -> None:
        found = _GOES.search(text)
        if found and not self.page.moves_to:
            self.page.moves_to = printable(found[1])

    def close(self) -> None:
        self.page.action = printable(self.page.action, LONGEST_NAME)


def page_of(html: str) -> Page:
    """What is seen of a page besides its tables. Never fails."""
    reader = _Reader()
    read_html(html, reader)
    return reader.page


def remedy_for(page: Page) -> str:
    """What to do about a page without levels; "" where it looks like one of levels."""
    if page.is_login:
        words = ["user: ...", "password_file: ..."]
        if page.asks_password:
            words.append(f"form: {page.action or 'ADDRESS'}")
            words += [f"user_field: {page.user_field}"] if page.user_field else []
            words += [f"password_field: {page.password_field}"] if page.password_field else []
        return f"It is a login page: add login: {{{', '.join(words)}}} to the modem in the home file"
    if page.is_drawn_by_script:
        asks = "It asks to log in, and is" if page.speaks_of_login else "It is"
        return (
            f"{asks} drawn by a script, which only a browser runs: save the page as the browser shows it and "
            "read that with --page FILE, or use snmp, or name under `page` the address that the script reads "
            "its figures from where that is a page with tables (the browser's network view shows it)"
        )
    return ""
