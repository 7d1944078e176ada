"""Records of two machines of one name, or in another unit, are told when they are imported."""

import random
from pathlib import Path

import pytest
from msgspec.structs import replace

from support.records import lifelike
from whichhop.cli import main
from whichhop.errors import DataError
from whichhop.model import Columns, Fate, Method, Record, Sample, SessionKey
from whichhop.store.imported import Imported, is_of_another
from whichhop.store.interchange import record_lines
from whichhop.store.store import Store

FIRST = 28_333_320
KEY = SessionKey(agent="desk", target="router", method=Method.ECHO)


def minutes(seed: int, n: int = 3) -> list[Record]:
    return [lifelike(random.Random(f"{seed} {m}"), FIRST + m, KEY, loss=0.1) for m in range(n)]


def shifted(record: Record, by_ns: int) -> Record:
    """The same minute as another machine measures it, whose packets leave at other instants."""
    samples = [
        Sample(sent_ns=s.sent_ns + by_ns, fate=s.fate, rtt_ns=s.rtt_ns, out_ns=s.out_ns, queue_ns=s.queue_ns)
        for s in record.samples
    ]
    return replace(record, samples=Columns.of(samples))


def written(path: Path, records: list[Record]) -> str:
    path.write_text("".join(f"{line}\n" for r in records for line in record_lines(r)))
    return str(path)


def parts(record: Record, at: int) -> tuple[Record, Record]:
    samples = list(record.samples)
    return (
        replace(record, samples=Columns.of(samples[:at])),
        replace(record, samples=Columns.of(samples[at:])),
    )


def test_a_restart_and_the_same_packets_twice_are_one_machines() -> None:
    (record,) = minutes(1, 1)
    before, after = parts(record, 25)
    assert not is_of_another(before, after)
    assert not is_of_another(record, record)
    assert not is_of_another(before, record)
    assert is_of_another(shifted(record, 1_000_000), record)


def test_two_machines_of_one_name_are_not_mixed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Both called desk, in two exports: once mixed in a store they could never be told apart again."""
    one = written(tmp_path / "one.jsonl", minutes(1))
    two = written(tmp_path / "two.jsonl", [shifted(r, 1_000_000) for r in minutes(1)])
    store = str(tmp_path / "s.db")
    assert main(["records", "import", "--store", store, one, one]) == 0
    assert main(["records", "import", "--store", store, two]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith(f"{two}: desk to router (echo): 3 minutes from ")
    assert "two machines are named desk, or its clock was set back; give one another name" in line
    with Store.open(store) as kept:
        assert list(kept.session_records(KEY)) == minutes(1)
    assert main(["records", "import", "--store", store, "--overlapping", two]) == 0
    with Store.open(store) as kept:
        assert len(list(kept.session_records(KEY))) == 6


def test_a_record_that_begins_where_another_does_is_not_lost_without_a_word(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    one = minutes(1)
    later = [
        Sample(sent_ns=s.sent_ns, fate=s.fate, rtt_ns=None if s.rtt_ns is None else s.rtt_ns + 5)
        for s in one[0].samples
    ]
    files = written(tmp_path / "a.jsonl", [*one, replace(one[0], samples=Columns.of(later))])
    assert main(["records", "import", "--store", str(tmp_path / "s.db"), files]) == 0
    out, err = capsys.readouterr()
    assert "1 record was left out: another of its session begins at the same instant" in out
    assert "is there twice with different packets: its clock was set back, or " in err


def test_a_clock_that_was_set_back_is_taken_again_and_again(tmp_path: Path) -> None:
    """One machine's own export: both of its minutes are kept, and a second import finds nothing new."""
    files = written(tmp_path / "a.jsonl", [*minutes(1), shifted(minutes(1)[0], 1_000_000)])
    for _ in range(2):
        assert main(["records", "import", "--store", str(tmp_path / "s.db"), files]) == 0
    with Store.open(tmp_path / "s.db") as kept:
        assert len(list(kept.session_records(KEY))) == 4


def test_packed_hours_are_looked_into_too(tmp_path: Path) -> None:
    with Store.open(tmp_path / "s.db") as store:
        store.append_all(minutes(1, 70))
        store.pack_hours(FIRST + 300)
        imported = Imported(store)
        imported.look(shifted(minutes(1)[0], 1_000_000))
        with pytest.raises(DataError, match=r"the minute at .* is there already"):
            imported.refuse("x.jsonl")


def test_milliseconds_in_the_place_of_seconds_are_remarked_on(tmp_path: Path) -> None:
    """2.1 for 2.1 ms is less than a packet is waited for, and would make every path slow for ever."""
    samples = [
        Sample(sent_ns=FIRST * 60_000_000_000 + s * 1_000_000_000, fate=Fate.ANSWERED, rtt_ns=2_100_000_000)
        for s in range(60)
    ]
    with Store.open(tmp_path / "s.db") as store:
        imported = Imported(store)
        imported.look(replace(minutes(1)[0], samples=Columns.of(samples)))
        (line,) = imported.remarks("x.jsonl")
        assert "the least of 60 round trips is 2.1 s; if that is milliseconds" in line
        plain = Imported(store)
        for record in minutes(1):
            plain.look(record)
        assert list(plain.remarks("x.jsonl")) == []
