"""Being told of news: the looks that follow, until one brings something."""

import asyncio
from types import SimpleNamespace
from typing import Any

import pytest

from support.homes import alder
from whichhop.daemon.beside import home_news
from whichhop.daemon.beside.home_news import HomeNews

ALONE = alder().nodes["desk"]


class Agent:
    """An agent without others whose key's epoch rises at its n-th reading of the file; the waits it took."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, news_at: int | None) -> None:
        self.waits: list[float] = []
        self.reads, self.epoch, self.news_at = 0, 0, news_at
        monkeypatch.setattr(home_news.asyncio, "sleep", self.sleep)
        options: Any = SimpleNamespace(home_file="home.yaml", key_in_use=None)
        jobs: Any = SimpleNamespace(once=lambda _name, act: self.acts.append(act))
        self.acts: list[Any] = []
        self.news = HomeNews(self.now, options, jobs, self.reload, say=lambda _: None)

    def now(self) -> Any:
        home = SimpleNamespace(agents=[ALONE], nodes={"desk": ALONE})
        return SimpleNamespace(home=home, node=ALONE, epoch=self.epoch, known={})

    async def sleep(self, seconds: float) -> None:
        self.waits.append(seconds)

    async def reload(self) -> None:
        self.reads += 1
        if self.reads == self.news_at:
            self.epoch += 1

    def tell(self) -> None:
        question: Any = SimpleNamespace(query={})
        asyncio.run(self.news.told(question))

    def look(self) -> None:
        asyncio.run(self.acts.pop(0)())


@pytest.mark.parametrize(
    ("news_at", "waits"), [(1, [0]), (2, [0, 2]), (3, [0, 2, 5]), (4, [0, 2, 5, 10]), (None, [0, 2, 5, 10])]
)
def test_looks_are_repeated_until_one_brings_something(
    monkeypatch: pytest.MonkeyPatch, news_at: int | None, waits: list[float]
) -> None:
    agent = Agent(monkeypatch, news_at)
    agent.tell()
    agent.look()
    assert agent.waits == waits
    assert agent.reads == len(waits)


def test_told_twice_before_a_look_is_one_look_and_told_after_it_another(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    agent = Agent(monkeypatch, news_at=1)
    agent.tell()
    agent.tell()
    assert len(agent.acts) == 1
    agent.look()
    agent.tell()
    assert len(agent.acts) == 1
