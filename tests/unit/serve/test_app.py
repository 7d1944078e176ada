import asyncio
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.live import busy_state
from whichhop.serve.answer import Answer, Question
from whichhop.serve.app import App
from whichhop.serve.door import Door
from whichhop.serve.live import LiveState

TOKEN = "0a" * 32


def make(live: LiveState | None = None) -> App:
    return App(live=live or busy_state(), store=Path("/nowhere/s.db"), door=Door(token=TOKEN), summary=dict)


def ask(app: App, path: str, *, query: bytes = b"", auth: bytes | None = None, kind: str = "http") -> Any:
    """One request without a socket: the status and the JSON that came back."""
    sent: list[Any] = []

    async def send(message: Any) -> None:
        sent.append(message)

    async def receive() -> Any:
        raise AssertionError("nothing here reads a body")

    headers = [] if auth is None else [(b"authorization", auth)]
    scope = {"type": kind, "method": "GET", "path": path, "query_string": query, "headers": headers}
    asyncio.run(app(scope, receive, send))
    return (sent[0]["status"], sent[1]["body"]) if sent else None


@given(st.text(max_size=30), st.binary(max_size=60), st.none() | st.binary(max_size=80))
def test_any_request_gets_an_answer_and_none_reads_records_without_the_token(
    path: str, query: bytes, auth: bytes | None
) -> None:
    for where in (f"/{path}", f"/api/{path}", "/api/records"):
        status, body = ask(make(), where, query=query, auth=auth)
        assert status in (200, 400, 401, 404, 414)
        if where.startswith("/api/"):
            assert status == 401
            assert json.loads(body)["error"]


def test_the_token_opens_the_api() -> None:
    assert ask(make(), "/api/home", auth=f"Bearer {TOKEN}".encode()) == (200, b"{}\n")
    assert ask(make(), "/api/home", auth=f"bearer  {TOKEN} ".encode())[0] == 200
    assert ask(make(), "/api/home", auth=f"Basic {TOKEN}".encode())[0] == 401


def test_trouble_of_our_own_is_told_as_such() -> None:
    status, body = ask(make(), "/api/records", auth=f"Bearer {TOKEN}".encode())
    assert status == 503
    assert "no such store" in json.loads(body)["error"]


def test_a_fault_of_our_own_is_one_line_and_its_words_stay_in_the_log() -> None:
    told: list[Exception] = []
    app = make()
    app.failed = told.append

    async def broken(_question: Question) -> Answer:
        raise TypeError("inner secret")

    app.add("/metrics", broken)
    status, body = ask(app, "/metrics")
    assert status == 500
    assert "failed to answer" in json.loads(body)["error"]
    assert b"secret" not in body
    assert [str(trouble) for trouble in told] == ["inner secret"]


def test_an_answer_that_takes_too_long_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("whichhop.serve.app.ANSWER_SECONDS", 0.01)
    app = make()

    async def never(question: Question) -> Answer:
        await asyncio.Event().wait()
        raise AssertionError

    app.add("/slow", never)
    status, body = ask(app, "/slow")
    assert status == 503
    assert "try again" in json.loads(body)["error"]


def test_other_kinds_of_connection_are_left_alone() -> None:
    assert ask(make(), "/", kind="lifespan") is None


def test_health_says_when_the_disk_refuses() -> None:
    live = busy_state()
    live.values["store_writable"] = 0
    app = make(live)
    assert json.loads(ask(app, "/health")[1])["status"] == "not storing"


def test_the_bulletin_needs_no_token_and_says_who_does_not_compare() -> None:
    live = busy_state()
    app = make(live)
    status, body = ask(app, "/bulletin")
    assert (status, "does not compare" in json.loads(body)["error"]) == (404, True)
    live.bulletin = b""
    assert ask(app, "/bulletin")[0] == 503
    live.bulletin = b'{"home": "Alder House"}\n'
    assert ask(app, "/bulletin") == (200, live.bulletin)
