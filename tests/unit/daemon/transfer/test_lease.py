"""A lease is on the disk before it is told, whatever befalls the disk, and nothing odd is granted."""

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any

import pytest

from support.homes import alder
from whichhop.daemon.transfer.lease import LeaseUse, TransferKeeper
from whichhop.errors import StoreError
from whichhop.model.transfer import Lease
from whichhop.model.units import NS_PER_S, MonoNs, UtcNs

NOON = 1_800_014_400 * NS_PER_S
HOME = alder("targets:", "limits: {daily_transfer_mb: 10}\ntargets:")


class HandClock:
    now_s = 0.0

    def utc_ns(self) -> UtcNs:
        return UtcNs(NOON + round(self.now_s * NS_PER_S))

    def mono_ns(self) -> MonoNs:
        return MonoNs(self.utc_ns())

    def boot_ns(self) -> int:
        return self.utc_ns()


class Table:
    """A disk in memory that can refuse, and can forget everything."""

    def __init__(self) -> None:
        self.rows: dict[str, Lease] = {}
        self.generation = 0
        self.refuses = False

    async def leases(self) -> list[Lease]:
        self._may()
        return list(self.rows.values())

    async def put_leases(self, kept: list[Lease]) -> None:
        self._may()
        self.rows |= {one.number: one for one in kept}

    def _may(self) -> None:
        if self.refuses:
            raise StoreError("desk.db: the disk is full")

    def forget(self) -> None:
        self.rows.clear()
        self.generation += 1


def play(act: Callable[[TransferKeeper, HandClock], Awaitable[object]], table: Table) -> None:
    async def use() -> LeaseUse:
        return LeaseUse()

    async def go() -> None:
        clock = HandClock()
        await act(TransferKeeper(lambda: HOME, clock, table, use), clock)

    asyncio.run(go())


def ask(octets: object = 4_000_000, seconds: object = 30) -> dict[str, Any]:
    return {"ask": "lease", "who": "desk to attic", "seconds": seconds, "octets": octets}


def test_a_lease_is_on_the_disk_when_it_is_told_and_what_was_used_when_it_is_returned() -> None:
    table = Table()

    async def act(keeper: TransferKeeper, _: HandClock) -> None:
        granted = await keeper.answer(ask())
        assert table.rows[granted["granted"]].octets == granted["octets"] == 4_000_000
        assert "desk to attic is using the line" in (await keeper.answer(ask()))["wait"]
        await keeper.answer({"ask": "release", "lease": granted["granted"], "used": 1_000_000})
        assert table.rows[granted["granted"]].used == 1_000_000
        assert (await keeper.answer({"ask": "today"}))["spent"] == 1_000_000
        # Returning one that was never granted changes nothing.
        assert await keeper.answer({"ask": "release", "lease": "x", "used": 5}) == {"released": True}
        assert list(table.rows) == [granted["granted"]]

    play(act, table)


def test_a_keeper_begun_again_knows_what_was_spent() -> None:
    table = Table()

    async def first(keeper: TransferKeeper, _: HandClock) -> None:
        await keeper.answer(ask())

    async def second(keeper: TransferKeeper, clock: HandClock) -> None:
        clock.now_s = 400
        assert (await keeper.answer({"ask": "today"}))["spent"] == 4_000_000
        assert (await keeper.answer(ask(octets=9_000_000)))["octets"] == 6_000_000

    play(first, table)
    play(second, table)


def test_nothing_starts_while_the_disk_refuses() -> None:
    table = Table()

    async def act(keeper: TransferKeeper, _: HandClock) -> None:
        table.refuses = True
        refused = (await keeper.answer(ask()))["refused"]
        assert refused == "desk.db: the disk is full; no transfer starts until the budget can be kept"
        table.refuses = False
        assert "granted" in await keeper.answer(ask())

    play(act, table)


def test_a_disk_that_forgot_is_told_everything_again() -> None:
    table = Table()

    async def act(keeper: TransferKeeper, clock: HandClock) -> None:
        one = await keeper.answer(ask())
        await keeper.answer({"ask": "release", "lease": one["granted"], "used": 3_000_000})
        table.forget()
        two = await keeper.answer(ask())
        assert set(table.rows) == {one["granted"], two["granted"]}
        assert sum(row.charged for row in table.rows.values()) == 7_000_000

    play(act, table)


@pytest.mark.parametrize(
    "odd",
    [ask(octets=-5), ask(octets=1e999), ask(seconds=float("nan")), ask(seconds="long"), {"ask": "lease"}],
)
def test_an_odd_question_is_refused_in_one_line_and_grants_nothing(odd: dict[str, Any]) -> None:
    table = Table()

    async def act(keeper: TransferKeeper, _: HandClock) -> None:
        refused = (await keeper.answer(odd))["refused"]
        assert "not understood" in refused
        assert "\n" not in refused

    play(act, table)
    assert not table.rows
