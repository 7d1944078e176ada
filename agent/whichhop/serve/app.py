"""The ASGI application: routes, the bearer token, and errors as JSON; no framework."""

import asyncio
import json
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl

import msgspec

from whichhop.errors import WhichhopError
from whichhop.serve.answer import Answer, Question, RefusedError, only_known
from whichhop.serve.connection import Receive, Scope, Send
from whichhop.serve.door import Door
from whichhop.serve.exporter import exposition
from whichhop.serve.live import LiveState
from whichhop.serve.records_api import readings_page, records_page

Handler = Callable[[Question], Awaitable[Answer]]

ANSWER_SECONDS = 30.0
"""An answer that takes longer is given up; a page of records takes well under one."""
_MOST_QUERY = 2_000


def _raised(trouble: Exception) -> None:
    raise trouble


class App:
    """Answers GET and HEAD, and POST where a path makes the agent do something; see door.py for who may.

    store: the store's path; pages are read in a worker thread, one at a time.
    summary: gives what /api/home says, as plain JSON values (see records_api.home_summary).
    """

    def __init__(
        self,
        *,
        live: LiveState,
        store: Path,
        door: Door,
        summary: Callable[[], Mapping[str, Any]],
    ) -> None:
        self._live = live
        self._store = store
        self.door = door
        """Who may read what; replaced when the home file changes."""
        self._summary = summary
        self.failed: Callable[[Exception], None] = _raised
        """Told of a fault of our own in answering; whoever asked is told that there was one."""
        self._one_page = asyncio.Lock()
        self._acts: set[str] = set()
        self._routes: dict[str, Handler] = {
            "/health": self._health,
            "/metrics": self._metrics,
            "/bulletin": self._bulletin,
            "/identity": self._who,
            "/openapi.json": self._described,
            "/api/home": self._home,
            "/api/records": self._records,
            "/api/readings": self._readings,
        }

    def add(self, path: str, handler: Handler, *, acts: bool = False) -> None:
        """One more path, for instance the page at "/". acts: asked for by POST, since it does something."""
        self._routes[path] = handler
        if acts:
            self._acts.add(path)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request, as ASGI 3 hands it over. Bodies are not read: nothing here takes one."""
        if scope["type"] != "http":
            return
        try:
            answer = await self._answer(scope)
        except RefusedError as refused:
            answer = refused.answer()
        except TimeoutError:
            answer = RefusedError(503, f"no answer within {ANSWER_SECONDS:g} s; try again").answer()
        except WhichhopError as trouble:
            answer = RefusedError(503, str(trouble)).answer()
        except Exception as trouble:  # noqa: BLE001 - whatever a stranger asked: one line, not a traceback each
            self.failed(trouble)
            answer = RefusedError(500, "the agent failed to answer; its log says more").answer()
        headers = (
            ("content-type", answer.content_type),
            ("content-length", str(len(answer.body))),
            ("cache-control", "no-store"),
            ("x-content-type-options", "nosniff"),
            *answer.headers,
        )
        await send(
            {
                "type": "http.response.start",
                "status": answer.status,
                "headers": [(k.encode("latin-1"), v.encode("latin-1")) for k, v in headers],
            }
        )
        body = b"" if scope["method"] == "HEAD" else answer.body
        await send({"type": "http.response.body", "body": body})

    async def _answer(self, scope: Scope) -> Answer:
        path: str = scope["path"]
        headers = {k.decode("latin-1").lower(): v.decode("latin-1") for k, v in scope["headers"]}
        self.door.check(path, headers, secure=scope.get("scheme") == "https")
        handler = self._routes.get(path)
        if handler is None:
            raise RefusedError(404, f"no such path: {path[:80]}; there are {', '.join(self._routes)}")
        allowed = ("POST",) if path in self._acts else ("GET", "HEAD")
        if scope["method"] not in allowed:
            raise RefusedError(
                405,
                f"{scope['method'][:20]} is not answered; use {allowed[0]}",
                (("allow", ", ".join(allowed)),),
            )
        question = Question(path=path, query=_query(scope["query_string"]), headers=headers)
        async with asyncio.timeout(ANSWER_SECONDS):
            return await handler(question)

    async def _health(self, question: Question) -> Answer:
        only_known(question)
        writable = bool(self._live.values.get("store_writable", 1))
        body: dict[str, object] = {"status": "ok" if writable else "not storing", "agent": self._live.agent}
        if self._live.store_remark:
            body["store"] = self._live.store_remark
        if self._live.in_trouble:
            body["in_trouble"] = list(self._live.in_trouble)
        return Answer(body=json.dumps(body).encode() + b"\n")

    async def _who(self, question: Question) -> Answer:
        """GET /identity: this agent's certificate, with its proof by the home's key; nothing secret."""
        only_known(question)
        return Answer(body=self.door.identity + b"\n")

    async def _described(self, question: Question) -> Answer:
        """GET /openapi.json: what is answered here, in the form of OpenAPI 3.1."""
        from whichhop.serve.openapi import document  # noqa: PLC0415 - seldom asked for, and it is large

        only_known(question)
        return Answer(body=msgspec.json.encode(document()) + b"\n")

    async def _metrics(self, question: Question) -> Answer:
        body, content_type = exposition(self._live, question.headers.get("accept", ""))
        return Answer(body=body, content_type=content_type)

    async def _bulletin(self, question: Question) -> Answer:
        """GET /bulletin: the comparer's newest word, as model/bulletin.py has it."""
        only_known(question)
        if self._live.bulletin is None:
            raise RefusedError(404, "this agent does not compare; start one with: whichhop run ... --compare")
        if not self._live.bulletin:
            raise RefusedError(503, "the comparer has not spoken yet; ask again in half a minute")
        return Answer(body=self._live.bulletin)

    async def _home(self, question: Question) -> Answer:
        only_known(question)
        return Answer(body=json.dumps(self._summary()).encode() + b"\n")

    async def _records(self, question: Question) -> Answer:
        async with self._one_page:
            return await asyncio.to_thread(records_page, self._store, self._live.agent, question)

    async def _readings(self, question: Question) -> Answer:
        async with self._one_page:
            return await asyncio.to_thread(readings_page, self._store, self._live.agent, question)


def _query(raw: bytes) -> dict[str, str]:
    if len(raw) > _MOST_QUERY:
        raise RefusedError(414, f"the query has {len(raw)} bytes; keep it under {_MOST_QUERY}")
    query: dict[str, str] = {}
    for key, value in parse_qsl(raw.decode("latin-1"), keep_blank_values=True):
        if key in query:
            raise RefusedError(400, f"{key[:40]!r} is given twice; give it once")
        query[key] = value
    return query
