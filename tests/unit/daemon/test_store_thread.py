"""The keeper writes beside the loop, holds what the disk refuses, and loses no minute to a bad value."""

import asyncio
from pathlib import Path

import pytest

from whichhop.daemon.store_thread import Keeper
from whichhop.errors import StoreError
from whichhop.model import Columns, Fate, Method, Reading, Record, Sample, SessionKey
from whichhop.model.home import Limits
from whichhop.model.units import NS_PER_MINUTE
from whichhop.store.store import Store

KEY = SessionKey(agent="desk", target="attic", method=Method.STAMP)


def record(minute: int) -> Record:
    sample = Sample(sent_ns=minute * NS_PER_MINUTE, fate=Fate.ANSWERED, rtt_ns=5_000_000)
    return Record(session=KEY, minute=minute, samples=Columns.of([sample]))


def reading(value: float) -> Reading:
    return Reading(at_ns=NS_PER_MINUTE, agent="desk", name="steal_ratio", value=value)


def test_a_value_that_is_no_number_costs_no_record(tmp_path: Path) -> None:
    async def play() -> None:
        keeper = Keeper(tmp_path / "desk.db", Limits(), pytest.fail)
        keeper.keep([record(1)], [reading(float("nan")), reading(0.25)])
        keeper.close()

    asyncio.run(play())
    with Store.open(tmp_path / "desk.db", read_only=True) as store:
        assert [r.minute for r in store.session_records(KEY)] == [1]
        assert [r.value for r in store.readings()] == [0.25]


def test_what_the_disk_refuses_is_kept_for_the_next_minute_and_told_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[str] = []
    real = Store.append_all
    refuse = True

    def append_all(self: Store, records: list[Record], readings: list[Reading] = []) -> int:  # noqa: B006
        if refuse:
            raise StoreError("the disk is full")
        return real(self, records, readings)

    monkeypatch.setattr(Store, "append_all", append_all)

    async def play() -> None:
        nonlocal refuse
        keeper = Keeper(tmp_path / "desk.db", Limits(), told.append)
        for minute in (1, 2):
            keeper.keep([record(minute)], [])
            await asyncio.get_running_loop().run_in_executor(keeper._thread, lambda: None)
        refuse = False
        keeper.keep([record(3)], [])
        keeper.close()

    asyncio.run(play())
    assert told == ["the disk is full", ""]
    with Store.open(tmp_path / "desk.db", read_only=True) as store:
        assert [r.minute for r in store.session_records(KEY)] == [1, 2, 3]
