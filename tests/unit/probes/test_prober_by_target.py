"""It hands each target to its own prober, and opens a prober that serves several only once."""

import asyncio

import pytest
from msgspec import Struct, field

from whichhop.errors import SystemRefusedError
from whichhop.model import Method, SessionKey
from whichhop.model.units import MonoNs, UtcNs
from whichhop.probes.base import SessionFacts
from whichhop.probes.table import ProberByTarget


class Noting(Struct):
    """Notes what it is told; refuses to open when `refuses`."""

    method: Method = Method.STAMP
    refuses: bool = False
    notes: list[str] = field(default_factory=list)

    def open(self, loop: asyncio.AbstractEventLoop) -> None:
        if self.refuses:
            raise SystemRefusedError("no")
        self.notes.append("open")

    def send(self, key: SessionKey, address: str) -> None:
        self.notes.append(f"send {key.target} {address}")

    def gather(self) -> None:
        self.notes.append("gather")

    def expire(self, now_ns: MonoNs) -> None:
        self.notes.append(f"expire {now_ns}")

    def unanswered(self, before_ns: MonoNs) -> list[tuple[SessionKey, UtcNs]]:
        return [(key("harbour"), UtcNs(before_ns))]

    def facts(self, key: SessionKey) -> SessionFacts:
        return SessionFacts(duplicates=7)

    def close(self) -> None:
        self.notes.append("close")


def key(target: str) -> SessionKey:
    return SessionKey(agent="desk", target=target, method=Method.STAMP)


def test_each_target_is_asked_by_its_own_prober() -> None:
    signed, plain = Noting(), Noting()
    by_target = ProberByTarget(Method.STAMP, {"attic": signed, "study": signed, "harbour": plain})
    loop = asyncio.new_event_loop()
    by_target.open(loop)
    by_target.send(key("attic"), "192.0.2.2")
    by_target.send(key("harbour"), "203.0.113.7")
    by_target.gather()
    by_target.expire(MonoNs(5))
    by_target.close()
    loop.close()
    assert signed.notes == ["open", "send attic 192.0.2.2", "gather", "expire 5", "close"]
    assert plain.notes == ["open", "send harbour 203.0.113.7", "gather", "expire 5", "close"]


def test_facts_come_from_the_targets_prober_and_are_empty_for_a_stranger() -> None:
    by_target = ProberByTarget(Method.STAMP, {"attic": Noting()})
    assert by_target.facts(key("attic")).duplicates == 7
    assert by_target.facts(key("nobody")) == SessionFacts()


def test_when_one_prober_is_refused_those_opened_before_are_closed_again() -> None:
    first, second = Noting(), Noting(refuses=True)
    loop = asyncio.new_event_loop()
    with pytest.raises(SystemRefusedError):
        ProberByTarget(Method.STAMP, {"attic": first, "harbour": second}).open(loop)
    loop.close()
    assert first.notes == ["open", "close"]
