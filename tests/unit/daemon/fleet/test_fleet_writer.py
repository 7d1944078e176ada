"""The agent's part in a fleet: nothing without a server, windows on disk with one, a child that is told."""

import asyncio
from pathlib import Path
from typing import Any

import msgspec
import pytest
from msgspec.structs import replace

from support.homes import alder
from whichhop.daemon.fleet.fleet_writer import FleetWriter
from whichhop.daemon.fleet.talk import WriteTask, Written
from whichhop.daemon.job_runner import Troubles
from whichhop.model import Fate, Home, Sample, derive_sessions
from whichhop.model.fleet import Fleet
from whichhop.serve.live import LiveState
from whichhop.store.outbox import Outbox

NS = 1_000_000_000
START_NS = 1_767_268_800 * NS


class Kept:
    ended = anew = False

    def end_soon(self) -> None:
        self.ended = True

    def begin_anew(self) -> None:
        self.anew = True


class Children:
    """Keeps no child; remembers what it was asked for."""

    def __init__(self) -> None:
        self.asked: list[tuple[str, Any, Any]] = []
        self.kept = Kept()

    def keep(self, name: str, command: Any, hear: Any) -> Kept:
        self.asked.append((name, command, hear))
        return self.kept


class Jobs:
    def after_pauses(self, *_: Any) -> None:
        pass


class Clock:
    now_ns = START_NS

    def utc_ns(self) -> int:
        return self.now_ns


class Rig:
    def __init__(self, folder: Path) -> None:
        self.path, self.clock, self.children = folder / "a.outbox", Clock(), Children()
        self.told: list[str] = []
        self.live = LiveState(home="Alder House", agent="desk", names=[])
        troubles: Any = Troubles(self.told.append, lambda _: None)
        parts: dict[str, Any] = {"troubles": troubles, "children": self.children, "jobs": Jobs()}
        clock: Any = self.clock
        self.writer = FleetWriter(self.path, clock, self.live, **parts)

    def measure(self, home: Home, seconds: int) -> None:
        for key in (s.key for s in derive_sessions(home) if s.key.agent == "desk"):
            for second in range(seconds):
                at = self.clock.now_ns + second * NS
                self.writer.observe(key, Sample(sent_ns=at, fate=Fate.ANSWERED, rtt_ns=4_000_000))
        self.clock.now_ns += seconds * NS


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    return Rig(tmp_path)


def with_fleet() -> Home:
    return replace(alder(), fleet=Fleet(url="https://metrics.example.net/w", queue_octets=10**6))


def test_without_a_server_nothing_is_kept_and_no_child_is_begun(rig: Rig) -> None:
    rig.writer.follow(alder(), "desk")
    rig.measure(alder(), 60)
    asyncio.run(rig.writer.turn())
    asyncio.run(rig.writer.close())
    assert rig.children.asked == []
    assert not rig.path.exists()


def test_windows_wait_on_disk_for_the_child(rig: Rig) -> None:
    home = with_fleet()
    rig.writer.follow(home, "desk")
    ((name, command, _),) = rig.children.asked
    task = msgspec.json.decode(command().given, type=WriteTask)
    assert (name, task.outbox, task.settings) == ("fleet", str(rig.path), home.fleet)
    rig.measure(home, 60)
    asyncio.run(rig.writer.turn())
    asyncio.run(rig.writer.close())
    (frame,) = Outbox(rig.path, 10**6).oldest(10**6)
    assert {dict(s.labels)["home"] for s in frame.series} == {"Alder House"}
    assert rig.children.kept.ended


def test_a_server_taken_out_of_the_file_ends_it_and_one_put_in_begins_it(rig: Rig) -> None:
    rig.writer.follow(with_fleet(), "desk")
    rig.writer.follow(alder(), "desk")
    assert rig.children.kept.ended
    rig.writer.follow(with_fleet(), "desk")
    assert len(rig.children.asked) == 2
    moved = replace(with_fleet(), fleet=Fleet(url="https://other.example.net/w", queue_octets=10**6))
    rig.writer.follow(moved, "desk")
    assert rig.children.kept.anew


def test_what_the_child_says_is_counted_and_told_once(rig: Rig) -> None:
    rig.writer.follow(with_fleet(), "desk")
    hear = rig.children.asked[0][2]
    for said in (
        Written(sent=10, given_up=0, waiting=5, trouble=""),
        Written(sent=10, given_up=2, waiting=9, trouble="answered 503; it is tried again"),
        Written(sent=10, given_up=2, waiting=9, trouble="answered 503; it is tried again"),
        Written(sent=3, given_up=0, waiting=0, trouble=""),  # another life of the child
    ):
        hear(msgspec.json.encode(said))
    assert rig.live.values["fleet_samples_sent"] == 13
    assert rig.live.values["fleet_samples_given_up"] == 2
    assert rig.live.values["fleet_samples_waiting"] == 0
    assert rig.told == [
        "fleet-server: answered 503; it is tried again",
        "fleet-server: takes what is written again",
    ]


def test_a_token_that_was_put_right_is_tried_as_soon_as_the_file_is_read_again(rig: Rig) -> None:
    rig.writer.follow(with_fleet(), "desk")
    rig.writer.follow(with_fleet(), "desk")
    assert not rig.children.kept.anew
    hear = rig.children.asked[0][2]
    for trouble in (
        "unreachable: refused; it is tried again",
        *["answered 401; check fleet: token_file"] * 3,
    ):
        hear(msgspec.json.encode(Written(sent=0, given_up=0, waiting=9, trouble=trouble)))
    assert [line.split(";")[0] for line in rig.told] == [
        "fleet-server: unreachable: refused",
        "fleet-server: answered 401",
    ]
    rig.writer.follow(with_fleet(), "desk")
    assert rig.children.kept.anew


def test_what_goes_for_want_of_room_is_told_once_and_counted(rig: Rig) -> None:
    small = replace(with_fleet(), fleet=Fleet(url="https://metrics.example.net/w", queue_octets=9_000))
    rig.writer.follow(small, "desk")
    for _ in range(12):
        rig.measure(small, 600)
        asyncio.run(rig.writer.turn())
    (line,) = rig.told
    assert line.startswith("fleet-queue: the queue is full (fleet: queue_mb)")
    gone = Outbox(rig.path, 9_000).dropped
    assert rig.live.values["fleet_samples_given_up"] == gone > 0
    rig.writer.follow(with_fleet(), "desk")  # more room, without a new start
    for _ in range(3):
        rig.measure(small, 600)
        asyncio.run(rig.writer.turn())
    assert Outbox(rig.path, 10**6).dropped == gone
    rig.children.asked[0][2](msgspec.json.encode(Written(sent=5, given_up=0, waiting=0, trouble="")))
    assert rig.told[1:] == ["fleet-queue: has room again"]


def test_a_disk_that_refuses_costs_windows_and_not_the_agent(rig: Rig) -> None:
    rig.path.mkdir()
    rig.writer.follow(with_fleet(), "desk")
    rig.measure(alder(), 60)
    asyncio.run(rig.writer.turn())
    assert len(rig.told) == 1
    assert "not written to the fleet" in rig.told[0]
