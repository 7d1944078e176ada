"""An hour's mark changes with what is held of it, and not with how it is held."""

import random
from pathlib import Path

import pytest

from support.records import lifelike
from whichhop.model import Method, Reading, SessionKey
from whichhop.model.units import NS_PER_MINUTE
from whichhop.store.hour_marks import HOUR_NS, hour_marks, marks_digest
from whichhop.store.store import Store

KEYS = [SessionKey(agent="desk", target=t, method=Method.ECHO) for t in ("router", "attic")]
HOUR = 490_000
FIRST = HOUR * 60


@pytest.fixture
def store(tmp_path: Path) -> Store:
    rng = random.Random(3)
    store = Store.open(tmp_path / "s.db")
    store.append_all(lifelike(rng, FIRST + m, key, count=4) for m in range(180) for key in KEYS if m != 70)
    store.append_all(
        (),
        [Reading(at_ns=(FIRST + m) * NS_PER_MINUTE, agent="desk", name="x", value=1.0) for m in range(180)],
    )
    return store


def marks(store: Store) -> dict[int, bytes]:
    return hour_marks(store.db, HOUR, HOUR + 3)


def test_packing_changes_no_mark(store: Store) -> None:
    before = marks(store)
    assert sorted(before) == [HOUR, HOUR + 1, HOUR + 2]
    assert store.pack_hours(FIRST + 130) == 4
    assert marks(store) == before
    store.pack_hours(FIRST + 1000)
    assert marks(store) == before


@pytest.mark.parametrize("packed", [False, True])
def test_a_record_that_comes_late_changes_its_hours_mark_alone(store: Store, packed: bool) -> None:
    if packed:
        store.pack_hours(FIRST + 1000)
    before = marks(store)
    store.append(lifelike(random.Random(9), FIRST + 70, KEYS[0], count=4))
    after = marks(store)
    assert [h for h in before if after[h] != before[h]] == [HOUR + 1]
    if packed:
        store.pack_hours(FIRST + 1000)  # a second block of the same hour
        assert marks(store) == after


def test_a_reading_that_comes_late_changes_it_too(store: Store) -> None:
    before = marks(store)
    store.append_all((), [Reading(at_ns=FIRST * NS_PER_MINUTE + 5, agent="desk", name="x", value=2.0)])
    after = marks(store)
    assert [h for h in before if after[h] != before[h]] == [HOUR]


def test_the_same_records_of_another_chain_have_other_marks(store: Store, tmp_path: Path) -> None:
    rng = random.Random(3)
    with Store.open(tmp_path / "other.db") as other:
        other.append_all(lifelike(rng, FIRST + m, key, count=4) for m in range(60) for key in KEYS)
        assert marks(other)[HOUR] != marks(store)[HOUR]


def test_a_digest_is_of_the_hours_that_a_span_touches_and_of_what_else_is_given(store: Store) -> None:
    found = marks(store)
    start = HOUR * HOUR_NS
    whole = marks_digest(found, start, start + 2 * HOUR_NS, b"home")
    assert whole == marks_digest(found, start + 5, start + 2 * HOUR_NS, b"home")
    assert whole != marks_digest(found, start, start + 2 * HOUR_NS + 1, b"home")
    assert whole != marks_digest(found, start, start + 2 * HOUR_NS, b"another")
    assert whole != marks_digest({**found, HOUR: b"changed"}, start, start + 2 * HOUR_NS, b"home")
    assert whole == marks_digest({**found, HOUR + 2: b"changed"}, start, start + 2 * HOUR_NS, b"home")
