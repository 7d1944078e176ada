"""What a stranger announces ends nothing."""

import asyncio
from typing import Any

import pytest
from zeroconf.asyncio import AsyncServiceInfo

from whichhop.net.service_discovery import SERVICE, ServiceDiscovery


def test_a_name_that_is_none_does_not_end_the_hearing(monkeypatch: pytest.MonkeyPatch) -> None:
    # RFC 6763 4.1.1 keeps control characters out of names, and a packet can carry any octets all the same
    asked: list[str] = []

    async def answer(info: AsyncServiceInfo, *_: Any) -> bool:
        asked.append(info.name)
        return False

    monkeypatch.setattr(AsyncServiceInfo, "async_request", answer)

    async def hear() -> bool:
        discovery = ServiceDiscovery("own", 8622, lambda announced: None)
        task = asyncio.create_task(discovery._ask(None))  # type: ignore[arg-type]
        for name in ("\x01", "x" * 80, "", "\ud800", "_sub", "desk"):
            discovery._waiting.put_nowait(f"{name}.{SERVICE}")
        for _ in range(20):
            await asyncio.sleep(0)
        ended = task.done()
        task.cancel()
        return ended

    assert not asyncio.run(hear())
    assert asked == [f"desk.{SERVICE}"]
