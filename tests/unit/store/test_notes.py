"""Marks and looks in the store, and stores from before there were any."""

import sqlite3
from pathlib import Path

from whichhop.model import Direction, Reading
from whichhop.model.note import ExpectedGain, Look, Note
from whichhop.store.db import APPLICATION_ID, MIGRATIONS
from whichhop.store.store import Store

GAIN = ExpectedGain(direction=Direction.UP, frequency_hz=3e7, gain_db=3.5)
SPLITTER = Note(at_ns=1_000, text="took out the splitter", change="remove 5", expected=(GAIN,))


def test_notes_are_numbered_listed_by_time_and_taken_back(tmp_path: Path) -> None:
    with Store.open(tmp_path / "a.db") as store:
        first = store.add_note(SPLITTER)
        earlier = store.add_note(Note(at_ns=10, text="moved the attic node"))
        assert (first, earlier) == (1, 2)
        assert store.add_note(SPLITTER) is None
        assert list(store.notes()) == [2, 1]
    with Store.open(tmp_path / "a.db") as store:
        assert store.notes()[1] == SPLITTER
        assert store.remove_note(2)
        assert not store.remove_note(2)
        # A number is never used twice, so that an old note on paper names the same note or none.
        assert store.add_note(Note(at_ns=20, text="another")) == 3


def look(at: int, to: int, of: int = 1_000) -> Look:
    return Look(of_ns=of, at_ns=at, from_ns=0, to_ns=to)


def test_only_looks_at_other_measurements_count(tmp_path: Path) -> None:
    with Store.open(tmp_path / "a.db") as store:
        assert store.add_look(look(5, 100)) == 1
        assert store.add_look(look(6, 100)) == 1
        assert store.add_look(look(7, 200)) == 2
        assert store.add_look(look(8, 300, of=2_000)) == 1
        # The first look again: it is still the first.
        assert store.add_look(look(9, 100)) == 1
        assert store.looks() == [look(5, 100), look(7, 200), look(8, 300, of=2_000)]


def test_taking_a_note_back_does_not_forget_the_looks(tmp_path: Path) -> None:
    with Store.open(tmp_path / "a.db") as store:
        number = store.add_note(SPLITTER)
        store.add_look(look(5, 100))
        assert number is not None
        store.remove_note(number)
        store.add_note(SPLITTER)
        assert store.add_look(look(6, 200)) == 2


def test_a_store_of_the_first_version_is_brought_up_to_date_with_all_it_holds(tmp_path: Path) -> None:
    old = sqlite3.connect(tmp_path / "old.db")
    for statement in MIGRATIONS[0]:
        old.execute(statement)
    old.execute("INSERT INTO gauge (agent, name) VALUES ('desk', 'steal_ratio')")
    old.execute("INSERT INTO reading (gauge, at_ns, value) VALUES (1, 7, 0.5)")
    old.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    old.execute("PRAGMA user_version = 1")
    old.commit()
    old.close()
    with Store.open(tmp_path / "old.db") as store:
        assert list(store.readings()) == [Reading(at_ns=7, agent="desk", name="steal_ratio", value=0.5)]
        assert store.notes() == {}
        assert store.add_note(SPLITTER) == 1


def test_retention_leaves_notes_alone(tmp_path: Path) -> None:
    with Store.open(tmp_path / "a.db") as store:
        store.add_note(SPLITTER)
        store.append_all((), [Reading(at_ns=5, agent="desk", name="steal_ratio", value=0.5)])
        store.drop_before(10_000)
        assert not list(store.readings())
        assert list(store.notes().values()) == [SPLITTER]
