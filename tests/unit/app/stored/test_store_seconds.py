"""Seconds taken by the hour are those that were asked for."""

import random
from pathlib import Path

import numpy as np
import pytest

from support.records import lifelike
from whichhop.app.stored.store_seconds import HOUR_NS, HourlySeconds, StoreSeconds
from whichhop.model import Method, SessionKey
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S
from whichhop.store.store import Store

KEYS = tuple(
    SessionKey(agent="desk", target=name, method=Method.ECHO) for name in ("router", "attic", "harbour")
)
HOURS = range(5, 7)
FIRST = HOURS.start * 60
LOOSE = FIRST + 70


def test_they_are_the_same_over_an_hours_end_too_and_read_once_an_hour(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    every = [lifelike(random.Random(n), FIRST + n, key, loss=0.2) for n in range(120) for key in KEYS[:2]] + [
        lifelike(random.Random(1), LOOSE, KEYS[2])
    ]
    asked: list[int] = []
    read = StoreSeconds.samples

    def samples(self: StoreSeconds, start_ns: int, end_ns: int):  # type: ignore[no-untyped-def]
        asked.append(start_ns // HOUR_NS)
        return read(self, start_ns, end_ns)

    with Store.open(tmp_path / "s.db") as store:
        store.append_all([r for r in every if r.minute != LOOSE])
        store.pack_hours(FIRST + 100)
        source = StoreSeconds(store, KEYS[:2], tuple(r for r in every if r.minute == LOOSE))
        seconds = HourlySeconds(source)
        for first, end in ((100, 160), (130, 190), (3570, 3630), (3600, 3660), (4190, 4290), (7190, 7260)):
            start_ns, end_ns = (FIRST * NS_PER_MINUTE + at * NS_PER_S for at in (first, end))
            wanted = source(start_ns, end_ns)
            with monkeypatch.context() as patch:
                patch.setattr(StoreSeconds, "samples", samples)
                found = seconds(start_ns, end_ns)
            assert (found.sessions, found.start_ns) == (wanted.sessions, wanted.start_ns)
            for name in ("sent", "silent", "rtt_s"):
                assert np.array_equal(getattr(found, name), getattr(wanted, name), equal_nan=True), name
            assert found.sent.any() == (end <= 7200 or first < 7200)
    # Of the hour that is not packed yet only the minutes of each look are read.
    assert asked == [5, 6, 6, 6, 6, 7]
