"""What is over is looked at once, and again when anything changes that the look follows from."""

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from support.homes import alder
from support.windows import START_NS, disturb, quiet
from whichhop.compare.case import prepare
from whichhop.compare.history import DEFAULT_SETTINGS
from whichhop.compare.inference import looked_before
from whichhop.compare.inference.evidence import columns_of
from whichhop.compare.inference.looked_before import LooksBefore
from whichhop.compare.inference.rated_ticks import scan
from whichhop.compare.inference.screening import Stretch
from whichhop.compare.inference.segment import OwnUse, look_closely
from whichhop.compare.live import Follower
from whichhop.model import derive_sessions

HOME = alder("{kind: modem}", "{kind: modem, address: 192.0.2.254}")
SESSIONS = derive_sessions(HOME)
TABLE = disturb(quiet(HOME, 70), HOME, "attic/router", slice(20, 30), delay_s=0.050)
CASE = prepare(HOME, SESSIONS, TABLE, (), DEFAULT_SETTINGS)
DONE = scan(TABLE, SESSIONS, CASE.reporting, columns_of(CASE.elements, len(SESSIONS)), DEFAULT_SETTINGS)
HOST = next(j for j, e in enumerate(CASE.elements) if e.name.startswith("host:"))
USE = OwnUse(factor=CASE.use.factor, stay={HOST: np.zeros(TABLE.ticks)}, known=True)
PART = Stretch(first=18, end=34)


@pytest.fixture
def looked(monkeypatch: pytest.MonkeyPatch) -> list[Stretch]:
    """The stretches that were truly looked at."""
    found: list[Stretch] = []

    def look(*given: Any) -> Any:
        found.append(given[-1])
        return look_closely(*given)

    monkeypatch.setattr(looked_before, "look_closely", look)
    return found


def test_a_fault_that_is_over_is_looked_at_no_more_and_still_told(looked: Sequence[Stretch]) -> None:
    follower = Follower(HOME, SESSIONS, start_ns=START_NS)
    told = follower.feed(TABLE.span(0, 55))
    before = len(looked)
    assert before > 0
    for at in range(55, TABLE.ticks):
        again = follower.feed(TABLE.span(at, at + 1))
        assert [(v.elements, v.start_ns, v.end_ns) for v in again] == [
            (v.elements, v.start_ns, v.end_ns) for v in told
        ]
    assert told
    assert len(looked) == before


def _at(values: np.ndarray, tick: int, value: float) -> np.ndarray:
    out = values.copy()
    out[tick] = value
    return out


CHANGES: dict[str, Callable[[], tuple[Any, ...]]] = {
    "who spoke": lambda: (replace(DONE, speaks=_at(DONE.speaks, 25, False), worked_out={}), USE, PART),
    "packets lost": lambda: (
        replace(DONE, table=replace(TABLE, lost=_at(TABLE.lost, 25, 9)), worked_out={}),
        USE,
        PART,
    ),
    "a delay": lambda: (
        replace(DONE, table=replace(TABLE, q50_s=_at(TABLE.q50_s, 25, 0.2)), worked_out={}),
        USE,
        PART,
    ),
    "what passes by itself": lambda: (replace(DONE, rates=tuple(2 * r for r in DONE.rates)), USE, PART),
    "own traffic's onset": lambda: (DONE, replace(USE, factor=_at(USE.factor, 25, 3.0)), PART),
    "an agent's lateness": lambda: (DONE, replace(USE, stay={HOST: _at(USE.stay[HOST], 25, 1.0)}), PART),
    "whether own traffic is known": lambda: (DONE, replace(USE, known=False), PART),
    "its length": lambda: (DONE, USE, Stretch(first=18, end=35)),
}


@pytest.mark.parametrize("change", CHANGES)
def test_what_changed_is_looked_at_again(change: str, looked: Sequence[Stretch]) -> None:
    looks = LooksBefore()

    def turn(done: Any, use: Any, part: Any) -> Any:
        looks.begin_turn()
        return looks.look(done, CASE.elements, CASE.onset, use, part)

    first = turn(DONE, USE, PART)
    assert turn(DONE, USE, PART) == replace(first, stretch=PART)
    assert len(looked) == 1
    turn(*CHANGES[change]())
    assert len(looked) == 2
    turn(DONE, USE, PART)
    assert len(looked) == 3  # a turn later it is forgotten
