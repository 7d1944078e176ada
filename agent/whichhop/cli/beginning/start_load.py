"""The one short transfer of `whichhop start`, by this machine's own agent while it measures."""

import asyncio
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from whichhop.app.looks.transfer_order import order_transfer
from whichhop.config.keys import derive_keys, key_path_for, read_key
from whichhop.errors import RemoteError, WhichhopError
from whichhop.model import Home
from whichhop.printable import printable

LOAD_S, LOAD_MB = 10, 500
"""What the one transfer may take."""
LOAD_WHOLE_S = 45.0
"""For it with the packets before and after it; the agent measures on meanwhile."""
Load = Callable[[], dict[str, Any]]
"""Moves data once, blocking, and hands back the transfer's result."""


async def loaded(load: Load) -> dict[str, Any] | None:
    """The result of moving data once, within its time; None, and a line said, where there is none."""
    sys.stderr.write(f"the transfer, {LOAD_S} s at most\n")
    try:
        async with asyncio.timeout(LOAD_WHOLE_S):
            return await asyncio.to_thread(load)
    except TimeoutError:
        sys.stderr.write(f"the transfer did not end within {LOAD_WHOLE_S:g} s\n")
    except WhichhopError as trouble:
        sys.stderr.write(f"the transfer: {printable(str(trouble), 300)}\n")
    return None


def load_of(home: Home, file: Path, node: str, other_end: str) -> Load:
    """One transfer by this machine's agent: what is fetched from the URL, or comes from another agent."""
    key = derive_keys(read_key(key_path_for(file))).transfer

    def load() -> dict[str, Any]:
        results = order_transfer(
            home.nodes[node].address or "127.0.0.1",
            home.ports.transfer,
            key,
            lambda _said: None,
            silence_s=LOAD_WHOLE_S,
            other_end=other_end,
            ways=["back"],
            streams=1,
            seconds=float(LOAD_S),
            octets=LOAD_MB * 1_000_000,
            anyway=True,
            whole=True,
        )
        if not results:
            raise RemoteError("nothing was moved")
        return results[0]

    return load
