"""The fleet's outbox: in order, bounded, whole after a kill, begun anew when it is damaged."""

from pathlib import Path
from random import Random

import pytest

from whichhop.model.fleet import Series
from whichhop.store.outbox import Outbox, opened

LABELS = (("agent", "desk"), ("home", "Alder House"))


def frame(number: int, points: int = 3) -> list[Series]:
    told = tuple((number * 1000 + i, number + i / 7) for i in range(points))
    return [Series(name="whichhop_window_lost_packets", labels=LABELS, points=told)]


def test_frames_come_in_order_and_survive_whoever_put_them_in(tmp_path: Path) -> None:
    box = Outbox(tmp_path / "a.outbox", 10**6)
    for number in range(200):
        assert box.put(frame(number)) == 0
    # Not closed, as after a kill: another process opens the same file.
    other = Outbox(tmp_path / "a.outbox", 10**6)
    found = other.oldest(10**6)
    assert [f.series for f in found] == [tuple(frame(n)) for n in range(200)]
    assert other.waiting == 600
    other.done(found[99].number)
    assert box.oldest(3)[0].series == tuple(frame(100))
    assert box.waiting == 300


def test_numbers_are_never_used_twice(tmp_path: Path) -> None:
    box = Outbox(tmp_path / "a.outbox", 10**6)
    box.put(frame(1))
    (first,) = box.oldest(10)
    box.done(first.number)
    box.put(frame(2))
    (second,) = box.oldest(10)
    assert second.number > first.number


def test_the_oldest_go_where_the_queue_is_full_and_are_counted(tmp_path: Path) -> None:
    box = Outbox(tmp_path / "a.outbox", 10_000)
    gone = sum(box.put(frame(n)) for n in range(500))
    left = box.oldest(10**6)
    assert gone == box.dropped == 3 * (500 - len(left))
    assert left[-1].series == tuple(frame(499))
    assert 30 < len(left) < 200


def test_the_files_of_a_full_queue_stay_near_its_limit(tmp_path: Path) -> None:
    # A server that is gone for long: five times what the queue may hold. SQLite's log has 4 MB of its own.
    box, draw = Outbox(tmp_path / "a.outbox", 10**5), Random(1)
    for number in range(60):
        points = tuple((number * 3000 + i, draw.random()) for i in range(1000))
        box.put([Series(name="m", labels=LABELS, points=points)])
    assert box.dropped > 3 * box.waiting
    sizes = {path.suffix: path.stat().st_size for path in tmp_path.iterdir()}
    assert sizes.pop(".outbox") < 1.5e5
    assert sum(sizes.values()) < 5e6


def test_a_damaged_queue_is_begun_anew(tmp_path: Path) -> None:
    path = tmp_path / "a.outbox"
    box = opened(path, 10**6)
    box.put(frame(1))
    box.close()
    path.write_bytes(b"\0" * 8192)
    again = opened(path, 10**6)
    assert again.waiting == 0
    again.put(frame(2))
    assert len(again.oldest(10)) == 1


def test_another_programs_file_is_left_alone(tmp_path: Path) -> None:
    import sqlite3

    from whichhop.errors import StoreError

    path = tmp_path / "a.outbox"
    with sqlite3.connect(path) as other:
        other.execute("CREATE TABLE t (a)")
    other.close()
    with pytest.raises(StoreError, match="another program"):
        opened(path, 10**6)
