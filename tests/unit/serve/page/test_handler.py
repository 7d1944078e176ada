import asyncio
from typing import Any

from support.bulletins import NOW_NS, at_fault, calm
from support.page_server import Exchanging, Shown
from whichhop.model.bulletin import Bulletin
from whichhop.model.units import NS_PER_S
from whichhop.serve.app import App


def ask(app: App, path: str, query: bytes = b"") -> tuple[int, dict[str, str], str]:
    sent: list[Any] = []

    async def send(message: Any) -> None:
        sent.append(message)

    async def receive() -> Any:
        raise AssertionError("nothing here reads a body")

    scope = {"type": "http", "method": "GET", "path": path, "query_string": query, "headers": []}
    asyncio.run(app(scope, receive, send))
    headers = {k.decode(): v.decode() for k, v in sent[0]["headers"]}
    return sent[0]["status"], headers, sent[1]["body"].decode()


def page(bulletin: Bulletin | None) -> str:
    status, _, body = ask(Exchanging(Shown(bulletin)), "/")
    assert status == 200
    return body


def test_the_page_and_its_files_need_no_token_and_allow_nothing_from_outside() -> None:
    app = Exchanging(Shown(calm()))
    kinds = {}
    for path in ("/", "/page.css", "/page.js", "/page.svg"):
        status, headers, _ = ask(app, path)
        assert status == 200
        # Content Security Policy level 3: each fetch falls back to default-src, these four do not.
        policy = headers["content-security-policy"]
        assert policy.startswith("default-src 'none'")
        assert "unsafe" not in policy
        assert all(f"{name} 'none'" in policy for name in ("base-uri", "form-action", "frame-ancestors"))
        assert headers["referrer-policy"] == "no-referrer"
        kinds[path] = headers["content-type"]
    assert kinds == {
        "/": "text/html; charset=utf-8",
        "/page.css": "text/css; charset=utf-8",
        "/page.js": "text/javascript; charset=utf-8",
        "/page.svg": "image/svg+xml",
    }


def test_a_query_that_means_nothing_is_refused() -> None:
    assert ask(Exchanging(Shown(calm())), "/", b"x=1")[0] == 400


def test_the_page_is_made_anew_for_a_new_bulletin_or_after_some_seconds_only() -> None:
    shown = Shown(calm())
    app = Exchanging(shown)
    first = ask(app, "/")[2]
    shown.now_ns += 4 * NS_PER_S
    assert ask(app, "/")[2] is not None
    assert ask(app, "/")[2] == first
    shown.bulletin = at_fault()
    assert "is at fault." in ask(app, "/")[2]
    shown.now_ns += 3600 * NS_PER_S
    assert "Nothing new has been heard" in ask(app, "/")[2]
    shown.now_ns = NOW_NS
    assert "Nothing new has been heard" not in ask(app, "/")[2]


def test_an_agent_that_does_not_compare_says_so_shows_its_own_figures_and_names_the_others() -> None:
    body = page(None)
    assert "The agent on desk measures, but does not compare." in body
    # The home file of the tests: desk (this one) at .20, attic at .2, study at .30.
    assert [f'href="http://192.0.2.{n}:8620/"' in body for n in (2, 30, 20)] == [True, True, False]
    assert "--compare" in body
    assert '<th scope="row">attic</th>' in body
    assert '<th scope="row">router</th>' in body


def test_a_bulletin_that_cannot_be_read_is_told_and_does_no_harm() -> None:
    app = Exchanging(Shown(None, raw=b'{"home": "<b>", "at_ns": "x"}'))
    status, _, body = ask(app, "/")
    assert status == 200
    assert "could not be read" in body


def test_a_comparer_that_has_not_spoken_yet_is_said_to_have_just_started() -> None:
    assert "has just started" in ask(Exchanging(Shown(None, raw=b"")), "/")[2]
