"""A real server on loopback that shows a hand-made bulletin, which a test may exchange while it runs."""

import asyncio
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import msgspec
from msgspec import Struct

from support.bulletins import NOW_NS
from support.homes import alder
from support.live import busy_state
from whichhop.model.bulletin import Bulletin
from whichhop.serve.app import App, Receive, Scope, Send
from whichhop.serve.door import Door
from whichhop.serve.page.handler import Page
from whichhop.serve.server import Server


class Shown(Struct):
    """What the page shows now; `deaf` makes the server answer 503. `raw`: what the comparer said instead."""

    bulletin: Bulletin | None
    now_ns: int = NOW_NS
    deaf: bool = False
    raw: bytes | None = None
    base: str = ""


class Exchanging(App):
    """The application, with what is shown taken anew at each request."""

    def __init__(self, shown: Shown) -> None:
        live = busy_state()
        live.home = "Alder House"
        super().__init__(live=live, store=Path("/nowhere/s.db"), door=Door(token="t" * 32), summary=dict)
        self._shown = shown
        Page(live=live, home=alder, now_ns=lambda: shown.now_ns).add_to(self)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        shown = self._shown
        if shown.deaf:
            await send({"type": "http.response.start", "status": 503, "headers": []})
            await send({"type": "http.response.body", "body": b""})
            return
        self._live.bulletin = shown.raw
        if shown.raw is None and shown.bulletin is not None:
            self._live.bulletin = msgspec.json.encode(shown.bulletin)
        await super().__call__(scope, receive, send)


@contextmanager
def showing(bulletin: Bulletin | None) -> Iterator[Shown]:
    shown = Shown(bulletin)
    ready = threading.Event()
    found: dict[str, object] = {}

    async def run() -> None:
        server = Server(Exchanging(shown), host="127.0.0.1", port=0)
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
