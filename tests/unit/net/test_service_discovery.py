"""What a stranger announces ends nothing."""

import asyncio
from typing import Any

import pytest
from zeroconf.asyncio import AsyncServiceInfo

from whichhop.net.service_discovery import MOST_OF_A_KEY, MOST_WAITING, SERVICE, ServiceDiscovery


def test_a_name_that_is_none_does_not_end_the_hearing(monkeypatch: pytest.MonkeyPatch) -> None:
    # RFC 6763 4.1.1 keeps control characters out of names, and a packet can carry any octets all the same
    asked: list[str] = []

    async def answer(info: AsyncServiceInfo, *_: Any) -> bool:
        asked.append(info.name)
        return False

    monkeypatch.setattr(AsyncServiceInfo, "async_request", answer)

    async def hear() -> bool:
        discovery = ServiceDiscovery("own", 8622, lambda announced: None, lambda key: False)
        task = asyncio.create_task(discovery._ask(None))  # type: ignore[arg-type]
        for name in ("\x01", "x" * 80, "", "\ud800", "_sub", "desk"):
            discovery._want(f"{name}.{SERVICE}")
        for _ in range(40):
            await asyncio.sleep(0)
        ended = task.done()
        task.cancel()
        return ended

    assert not asyncio.run(hear())
    assert asked == [f"desk.{SERVICE}"]


def test_names_of_the_homes_keys_are_asked_about_before_any_number_of_others(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: list[str] = []

    async def answer(info: AsyncServiceInfo, *_: Any) -> bool:
        asked.append(info.name)
        return False

    monkeypatch.setattr(AsyncServiceInfo, "async_request", answer)

    async def hear() -> None:
        discovery = ServiceDiscovery("own", 8622, lambda announced: None, lambda key: key == "attic")
        for n in range(300):
            discovery._want(f"stranger{n}-1.{SERVICE}")
            discovery._want(f"flood-{n}.{SERVICE}")
        discovery._want(f"attic-1.{SERVICE}")
        task = asyncio.create_task(discovery._ask(None))  # type: ignore[arg-type]
        for _ in range(400):
            await asyncio.sleep(0)
        task.cancel()

    asyncio.run(hear())
    assert asked[0] == f"attic-1.{SERVICE}"
    assert sum(name.startswith("flood") for name in asked) <= MOST_OF_A_KEY
    assert len(asked) == MOST_WAITING + 1
