"""A real server on loopback around the real application, in a loop of its own thread."""

import asyncio
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from support.live import busy_state
from whichhop.errors import WhichhopError
from whichhop.serve.app import App
from whichhop.serve.door import Door
from whichhop.serve.live import LiveState
from whichhop.serve.server import Server

TOKEN = "5f" * 32
PARTING_S = 0.1
"""So long the loop goes on: who left in the middle of a handshake is closed in a turn of its own."""


@contextmanager
def serving(
    store: Path,
    *,
    port: int = 0,
    agent: str = "desk",
    live: LiveState | None = None,
    identity: bytes = b"",
    context: ssl.SSLContext | None = None,
    tls_only: bool = False,
) -> Iterator[str]:
    """The base address of an agent that answers until the block ends; `live`: its state.

    identity: what it says of itself. context: answer in TLS. tls_only: hand out records in TLS only.
    """
    live = live or busy_state()
    live.agent = agent
    failures: list[Exception] = []
    app = App(
        live=live,
        store=store,
        door=Door(token=TOKEN, identity=identity, tls_only=tls_only),
        summary=lambda: {"home": "Alder House", "agent": agent},
    )
    app.failed = failures.append
    ready: threading.Event = threading.Event()
    found: dict[str, object] = {}

    async def run() -> None:
        server = Server(app, host="127.0.0.1", port=port, context=context)
        found["loop"], found["stop"] = asyncio.get_running_loop(), asyncio.Event()
        try:
            await server.start()
        except WhichhopError as refused:
            found["refused"] = refused
            ready.set()
            return
        found["port"] = server.port
        ready.set()
        await found["stop"].wait()  # type: ignore[attr-defined]
        await server.stop()
        await asyncio.sleep(PARTING_S)

    thread = threading.Thread(target=lambda: asyncio.run(run()))
    thread.start()
    assert ready.wait(20)
    if "refused" in found:
        thread.join(20)
        raise found["refused"]  # type: ignore[misc]
    try:
        yield f"http://127.0.0.1:{found['port']}"
    finally:
        found["loop"].call_soon_threadsafe(found["stop"].set)  # type: ignore[attr-defined]
        thread.join(20)
        assert not thread.is_alive()
        assert not failures
