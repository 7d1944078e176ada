"""Fetches a modem's status page, by HTTP basic authentication or its login form; bounded time and size."""

import base64
import http.client
import ssl
import urllib.error
import urllib.request
from html.parser import HTMLParser
from http.cookiejar import CookieJar
from pathlib import Path
from urllib.parse import urlencode, urljoin, urlsplit

from whichhop.errors import RemoteError, SystemRefusedError
from whichhop.model.levels_source import LevelsSource, Login

MOST_OCTETS = 2_000_000
"""A status page has some tens of thousands."""


class _Form(HTMLParser):
    """The hidden fields of a page's forms, and whether it asks for a password."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.hidden: dict[str, str] = {}
        self.asks_password = False
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag != "input":
            return
        facts = {k: v or "" for k, v in attrs}
        kind = facts.get("type", "text").lower()
        if kind == "password":
            self.asks_password = True
        elif kind == "hidden" and facts.get("name"):
            self.hidden[facts["name"]] = facts.get("value", "")


class _SamePlace(urllib.request.HTTPRedirectHandler):
    """Follows a redirect only within the modem, so that a password never travels further."""

    def redirect_request(  # type: ignore[no-untyped-def] # noqa: PLR0917 # as in the standard library
        self, req, fp, code, msg, headers, newurl
    ):
        if urlsplit(newurl).hostname != urlsplit(req.full_url).hostname:
            fp.close()
            raise RemoteError(
                f"{req.full_url}: sends the reader to {urlsplit(newurl).hostname}; give the page's address"
            )
        return super().redirect_request(req, fp, code, msg, headers, newurl)


def _secret(login: Login) -> str:
    if login.password_file is None:
        return login.password or ""
    try:
        return Path(login.password_file).read_text(encoding="utf-8").strip("\r\n")
    except (OSError, UnicodeDecodeError) as trouble:
        reason = trouble.strerror if isinstance(trouble, OSError) else "not UTF-8 text"
        raise SystemRefusedError(
            f"{login.password_file}: cannot be read: {reason}; put the modem's password there"
        ) from trouble


class _Browser:
    """A cookie jar and an opener for one modem."""

    def __init__(self, source: LevelsSource, timeout_s: float) -> None:
        context = ssl.create_default_context()
        if source.insecure_tls:
            context.check_hostname = False
            context.verify_mode = ssl.CERT_NONE
        self._opener = urllib.request.build_opener(
            urllib.request.ProxyHandler({}),  # the modem is in the home: never by way of a proxy
            urllib.request.HTTPCookieProcessor(CookieJar()),
            urllib.request.HTTPSHandler(context=context),
            _SamePlace(),
        )
        self._timeout_s = timeout_s
        self._login = source.login
        self._basic = source.login is not None and source.login.form is None

    def get(self, url: str, form: dict[str, str] | None = None) -> str:
        """A page's text, after sending a form where one is given; RemoteError with one line otherwise."""
        data = None if form is None else urlencode(form).encode()
        request = urllib.request.Request(url, data=data, headers={"Accept-Encoding": "identity"})  # noqa: S310 # http or https, checked by the home file
        if self._basic and self._login is not None:
            word = base64.b64encode(f"{self._login.user}:{_secret(self._login)}".encode()).decode()
            request.add_unredirected_header("Authorization", f"Basic {word}")
        try:
            with self._opener.open(request, timeout=self._timeout_s) as answer:
                body = answer.read(MOST_OCTETS + 1)
                charset = answer.headers.get_content_charset()
        except urllib.error.HTTPError as trouble:
            with trouble:
                raise RemoteError(self._refused(url, trouble.code)) from trouble
        except TimeoutError as trouble:
            raise RemoteError(self._silent(url)) from trouble
        except urllib.error.URLError as trouble:
            if isinstance(trouble.reason, TimeoutError):
                raise RemoteError(self._silent(url)) from trouble
            raise RemoteError(self._unreachable(url, trouble.reason)) from trouble
        except http.client.HTTPException as trouble:
            raise RemoteError(
                f"{url}: what answers does not speak HTTP ({type(trouble).__name__}); check address and port"
            ) from trouble
        except OSError as trouble:
            raise RemoteError(f"{url}: {trouble.strerror or trouble}; check the address") from trouble
        if len(body) > MOST_OCTETS:
            raise RemoteError(f"{url}: more than {MOST_OCTETS} octets; give the status page's own address")
        return _text(body, charset)

    def _silent(self, url: str) -> str:
        return f"{url}: no answer within {self._timeout_s:g} s; check the address, and that the modem is up"

    def _unreachable(self, url: str, reason: object) -> str:
        if isinstance(reason, ssl.SSLError):
            return (
                f"{url}: its certificate is not to be trusted ({reason.reason or 'TLS failed'}); "
                "write insecure_tls: true if it is the modem's own"
            )
        words = getattr(reason, "strerror", None) or str(reason)
        return f"{url}: cannot be reached: {words}; check the address"

    def _refused(self, url: str, code: int) -> str:
        if code in (401, 403):
            if self._login is None:
                return f"{url}: wants a login ({code}); add login: {{user: ..., password_file: ...}}"
            return f"{url}: refuses the login ({code}); check user and password"
        return f"{url}: answered {code}; check the page's address"


def _text(body: bytes, charset: str | None) -> str:
    for name in (charset, "utf-8"):
        if name:
            try:
                return body.decode(name)
            except (LookupError, UnicodeDecodeError):
                continue
    return body.decode("latin-1")  # never fails; what matters on the page is digits


def fetch_page(source: LevelsSource, timeout_s: float) -> str:
    """The text of a modem's page, after its login where one is given.

    RemoteError with one clear line when it cannot be had. timeout_s bounds each wait for the network; the
    caller bounds the whole.
    """
    url = source.page or ""
    browser = _Browser(source, timeout_s)
    login = source.login
    if login is None or login.form is None:
        return browser.get(url)
    target = urljoin(url, login.form)
    if urlsplit(target).hostname != urlsplit(url).hostname:
        raise RemoteError(f"{url}: its login form leads to {urlsplit(target).hostname}; use the modem's own")
    # The form's hidden fields (a token, often) are sent back as they came.
    hidden = _Form(browser.get(url)).hidden
    fields = {**hidden, **login.extra, login.user_field: login.user, login.password_field: _secret(login)}
    browser.get(target, fields)
    page = browser.get(url)
    if _Form(page).asks_password:
        raise RemoteError(
            f"{url}: still asks for a password after the login; check user, password and field names"
        )
    return page
