"""A real server on loopback that shows a hand-made bulletin, which a test may exchange while it runs."""

import asyncio
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import msgspec

from support.bulletins import NOW_NS
from support.live import busy_state
from whichhop.model.bulletin import Bulletin
from whichhop.serve.answer import Answer, Question
from whichhop.serve.app import App
from whichhop.serve.page.handler import Page
from whichhop.serve.server import Server


@dataclass(slots=True)
class Shown:
    """What the page shows now; `deaf` makes the server answer 503."""

    bulletin: Bulletin | None
    now_ns: int = NOW_NS
    deaf: bool = False
    asked: int = 0
    base: str = ""
    others: dict[str, str] = field(default_factory=lambda: {"attic": "http://192.0.2.2:8620/"})


def app_of(shown: Shown, raw: bytes | None = None, *, compares: bool = False) -> App:
    """`raw`: what the comparer said, instead of the bulletin."""
    live = busy_state()
    live.home = "Alder House"
    app = App(live=live, store=Path("/nowhere/s.db"), token="0a" * 32, summary=dict)

    def newest() -> bytes | None:
        shown.asked += 1
        if raw is not None:
            return raw
        return None if shown.bulletin is None else msgspec.json.encode(shown.bulletin)

    async def bulletin(question: Question) -> Answer:
        return Answer(body=newest() or b"{}")

    page = Page(
        live=live,
        newest=newest,
        others=lambda: shown.others,
        now_ns=lambda: shown.now_ns,
        compares=compares,
    )
    page.add_to(app)
    app.add("/bulletin", bulletin)
    return app


@contextmanager
def showing(bulletin: Bulletin | None) -> Iterator[Shown]:
    shown = Shown(bulletin)
    app = app_of(shown)
    ready = threading.Event()
    found: dict[str, object] = {}

    async def gate(scope: object, receive: object, send: object) -> None:
        if shown.deaf:
            await send({"type": "http.response.start", "status": 503, "headers": []})  # type: ignore[operator]
            await send({"type": "http.response.body", "body": b""})  # type: ignore[operator]
        else:
            await app(scope, receive, send)  # type: ignore[arg-type]

    async def run() -> None:
        server = Server(gate, host="127.0.0.1", port=0)  # type: ignore[arg-type]
        found["loop"], found["stop"] = asyncio.get_running_loop(), asyncio.Event()
        await server.start()
        shown.base = f"http://127.0.0.1:{server.port}"
        ready.set()
        await found["stop"].wait()  # type: ignore[attr-defined]
        await server.stop()

    thread = threading.Thread(target=lambda: asyncio.run(run()))
    thread.start()
    assert ready.wait(20)
    try:
        yield shown
    finally:
        found["loop"].call_soon_threadsafe(found["stop"].set)  # type: ignore[attr-defined]
        thread.join(20)
        assert not thread.is_alive()
