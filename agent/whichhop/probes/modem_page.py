"""Fetches a modem's status page, by HTTP basic authentication or its login form; bounded time and size."""

import base64
import codecs
from pathlib import Path
from urllib.parse import urlencode, urljoin, urlsplit

from whichhop.errors import RemoteError, SystemRefusedError
from whichhop.model.levels_source import LevelsSource, Login
from whichhop.net.http_client import Failure, HttpClient, HttpError
from whichhop.printable import without_secrets
from whichhop.wire.html_form import page_of

MOST_OCTETS = 2_000_000
"""A status page has some tens of thousands."""
WHOLE_S = 25.0
"""For one page with its redirects; within what the daemon gives a whole reading (levels.py)."""
_LONGEST_SECRET = 4_096


def _secret(login: Login) -> str:
    if login.password_file is None:
        return login.password or ""
    try:
        with Path(login.password_file).open("rb") as file:
            return file.read(_LONGEST_SECRET).decode("utf-8-sig").strip("\r\n")
    except (OSError, UnicodeDecodeError) as trouble:
        reason = trouble.strerror if isinstance(trouble, OSError) else "not UTF-8 text"
        raise SystemRefusedError(
            f"{login.password_file}: cannot be read: {reason}; put the modem's password there"
        ) from trouble


class _Browser:
    """One modem's pages, with its cookies; the password goes nowhere else."""

    def __init__(self, source: LevelsSource, timeout_s: float) -> None:
        self._client = HttpClient(
            seconds=WHOLE_S,
            wait_s=timeout_s,
            most_octets=MOST_OCTETS,
            follow=True,
            any_certificate=source.insecure_tls,
        )
        self._timeout_s = timeout_s
        self._login = source.login
        self._basic = source.login is not None and source.login.form is None

    def get(self, url: str, form: dict[str, str] | None = None) -> str:
        """A page's text, after sending a form where one is given; RemoteError with one line otherwise."""
        headers = {}
        if form is not None:
            headers["Content-Type"] = "application/x-www-form-urlencoded"
        if self._basic and self._login is not None:
            word = base64.b64encode(f"{self._login.user}:{_secret(self._login)}".encode()).decode()
            headers["Authorization"] = f"Basic {word}"
        try:
            answer = self._client.ask(
                url, headers=headers, body=None if form is None else urlencode(form).encode()
            )
        except HttpError as trouble:
            raise RemoteError(f"{without_secrets(url)}: {self._words(trouble)}") from None
        if not 200 <= answer.status < 300:
            raise RemoteError(self._refused(url, answer.status))
        return _text(answer.body, answer.charset)

    def _words(self, trouble: HttpError) -> str:
        why = trouble.why
        words = {
            Failure.BAD_ADDRESS: f"{why}; write the page's address, such as http://192.0.2.1/status.html",
            Failure.SILENT: (
                f"no answer within {self._timeout_s:g} s; check the address, and that the modem is up"
            ),
            Failure.UNREACHABLE: f"cannot be reached: {why}; check the address",
            Failure.UNTRUSTED: (
                f"its certificate is not to be trusted ({why}); "
                "write insecure_tls: true if it is the modem's own"
            ),
            Failure.NOT_HTTP: f"what answers does not speak HTTP ({why}); check address and port",
            Failure.TOO_LARGE: f"more than {MOST_OCTETS} octets; give the status page's own address",
            Failure.BROKEN_OFF: f"the answer broke off: {why}; check address and port",
            Failure.LEADS_AWAY: f"{why}; give the page's address",
        }
        return words[trouble.failure]

    def _refused(self, url: str, code: int) -> str:
        place = without_secrets(url)
        if code in (401, 403):
            if self._login is None:
                return f"{place}: wants a login ({code}); add login: {{user: ..., password_file: ...}}"
            return f"{place}: refuses the login ({code}); check user and password"
        return f"{place}: answered {code}; check the page's address"


_OF_NAMES = frozenset({"punycode", "idna"})
"""Codecs for names of hosts, not for pages: their time grows with the square of the page."""


def _text(body: bytes, charset: str | None) -> str:
    for name in (charset, "utf-8"):
        if name:
            try:
                if codecs.lookup(name).name in _OF_NAMES:
                    continue
                return body.decode(name)
            # ValueError: a charset with a zero octet; TypeError: one that decodes to no text, as "hex" does
            except (LookupError, ValueError, TypeError):
                continue
    return body.decode("latin-1")  # never fails; what matters on the page is digits


def _elsewhere(url: str, target: str) -> str:
    """The other machine that an address leads to; "" when it is the same."""
    there = urlsplit(target).hostname or ""
    return "" if there == urlsplit(url).hostname else there


def fetch_page(source: LevelsSource, timeout_s: float) -> str:
    """The text of a modem's page, after its login where one is given.

    RemoteError with one clear line when it cannot be had. timeout_s bounds each wait for the network, WHOLE_S
    each page.
    """
    url = source.page or ""
    browser = _Browser(source, timeout_s)
    login = source.login
    if login is None or login.form is None:
        return browser.get(url)
    target = urljoin(url, login.form)
    if there := _elsewhere(url, target):
        raise RemoteError(f"{without_secrets(url)}: its login form leads to {there}; use the modem's own")
    # The form's hidden fields (a token, often) are sent back as they came.
    hidden = page_of(browser.get(url)).hidden
    fields = {**hidden, **login.extra, login.user_field: login.user, login.password_field: _secret(login)}
    browser.get(target, fields)
    page = browser.get(url)
    if page_of(page).asks_password:
        raise RemoteError(
            f"{without_secrets(url)}: still asks for a password after the login;"
            " check user, password and field names"
        )
    return page
