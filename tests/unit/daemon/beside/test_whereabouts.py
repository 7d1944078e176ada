"""A flood of announced names keeps no agent of the home from being found, and costs little."""

import asyncio
from collections.abc import Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from support.standing_clock import StandingClock
from whichhop.daemon.beside import whereabouts
from whichhop.daemon.beside.whereabouts import MOST_AT_AN_ADDRESS, MOST_CLAIMS, MOST_OF_A_KEY, Whereabouts
from whichhop.daemon.options import RunOptions
from whichhop.model.units import NS_PER_S
from whichhop.net.child import Ended
from whichhop.net.service_discovery import Announced

ATTIC = "a" * 32


class Flooded:
    """Whereabouts with a clock moved by hand, children that fail at once and no key that is held."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.met: list[str] = []
        self.held: list[str] = []
        self.told: list[str] = []
        self.clock = StandingClock(NS_PER_S)
        attic = SimpleNamespace(moves=True, address="192.0.2.40")
        now: Any = SimpleNamespace(
            known_keys={ATTIC: "attic"},
            known={"attic": "key"},
            home=SimpleNamespace(
                nodes={"attic": attic},
                agents=[SimpleNamespace(name="attic")],
                ports=SimpleNamespace(api=8620, tls=8622),
            ),
        )
        options = RunOptions(home_file=Path("home.yaml"), node="desk", store=Path("desk.db"))
        jobs: Any = SimpleNamespace(once=lambda name, job: None)

        async def nothing(*_: object) -> None: ...

        async def run(argv: Sequence[str], **_: Any) -> Any:
            self.met.append(argv[-1])
            return Ended(code=1, err=b"of another home\n", out=b"")

        async def is_held(address: str, *_: object) -> bool:
            self.held.append(address)
            return False

        monkeypatch.setattr(whereabouts, "is_held_at", is_held)
        self.where = Whereabouts(
            lambda: now,
            options,
            jobs,
            moved=lambda name, address: None,
            reload=nothing,
            say=self.told.append,
            run=run,
        )
        self.where._clock = self.clock

    def hear(self, key: str, *addresses: str) -> None:
        self.where._heard(Announced(key, addresses))

    def look(self) -> None:
        asyncio.run(self.where._look())


def test_an_agent_of_the_home_is_tried_first_however_many_strangers_are_announced(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    house = Flooded(monkeypatch)
    for n in range(1_000):
        house.hear(f"{n:032x}", f"198.51.100.{n % 256}")
    house.hear(ATTIC, "192.0.2.77")
    house.look()
    assert house.held == ["192.0.2.77"]
    assert len(house.where._claims) <= MOST_CLAIMS + 1


def test_strangers_at_one_address_and_addresses_of_one_key_are_few(monkeypatch: pytest.MonkeyPatch) -> None:
    house = Flooded(monkeypatch)
    for n in range(300):
        house.hear(f"{n:032x}", "198.51.100.7")
        house.hear(ATTIC, f"203.0.113.{n % 256}")
    assert len(house.where._claims) == MOST_AT_AN_ADDRESS + MOST_OF_A_KEY


def test_a_flood_costs_a_process_in_fifteen_seconds(monkeypatch: pytest.MonkeyPatch) -> None:
    house = Flooded(monkeypatch)
    for second in range(300):
        house.clock.now_ns += NS_PER_S
        for n in range(5):
            house.hear(f"{second:031x}{n}", f"198.51.{second % 256}.{n}")
        house.look()
    assert 300 / 15 <= len(house.met) <= 300 / 15 + 5


def test_whoever_was_tried_in_vain_makes_room(monkeypatch: pytest.MonkeyPatch) -> None:
    house = Flooded(monkeypatch)
    for n in range(MOST_AT_AN_ADDRESS):
        house.hear(f"{n:032x}", "198.51.100.7")
    for _ in range(20 * MOST_AT_AN_ADDRESS):
        house.clock.now_ns += 15 * NS_PER_S
        house.look()
    house.hear("b" * 32, "198.51.100.7")
    assert ("b" * 32, "198.51.100.7") in house.where._claims
