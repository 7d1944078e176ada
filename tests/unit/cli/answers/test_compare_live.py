"""Following a home from its store: the kept history first, then tick by tick; and how news is told."""

import json
from pathlib import Path

import pytest
from msgspec.structs import replace

from whichhop.app.advice_of_home import LiveAdvice
from whichhop.app.agents.agents_fetch import DAY_NS
from whichhop.app.live.live_comparison import LiveComparison
from whichhop.cli import main
from whichhop.cli.answers.compare_live import NewsPrinter
from whichhop.compare.windows.table import TICK_NS
from whichhop.config.check import House
from whichhop.config.keys import create_key
from whichhop.lab.demo.run import recorded_folder
from whichhop.lab.standard_home import HOME_FILE, alder_home
from whichhop.model import Cause, Reading, Record
from whichhop.model.bulletin import LinkState
from whichhop.model.note import Note
from whichhop.model.units import NS_PER_MINUTE
from whichhop.store.files import read_file
from whichhop.store.store import Store

EVERYTHING = read_file(recorded_folder() / "backhaul.jsonl.gz")
RECORDS = [x for x in EVERYTHING if isinstance(x, Record)]
READINGS = [x for x in EVERYTHING if not isinstance(x, Record)]
FIRST = min(r.minute for r in RECORDS)
END_NS = max(max(r.samples.sent_ns) for r in RECORDS)


def cut(record: Record, end_ns: int) -> Record:
    """What of a minute had been measured by then."""
    count = sum(1 for at in record.samples.sent_ns if at < end_ns)
    samples = record.samples
    part = {
        name: getattr(samples, name)[:count] for name in ("sent_ns", "fate", "rtt_ns", "out_ns", "queue_ns")
    }
    return replace(record, samples=replace(samples, **part))


def test_live_turns_come_to_the_verdict_of_the_recorded_fault(tmp_path: Path) -> None:
    """The recording is of real packets in namespaces with a known fault (lab/demo/stories.py)."""
    path = tmp_path / "c.db"
    causes: list[str] = []
    with Store.open(path) as store:
        live = LiveComparison(alder_home(), store)
        due = FIRST * NS_PER_MINUTE + 4 * TICK_NS
        while due < END_NS - TICK_NS:
            now = due // NS_PER_MINUTE
            store.append_all((r for r in RECORDS if r.minute < now), (r for r in READINGS if r.at_ns <= due))
            bulletin = live.turn(due, [cut(r, due) for r in RECORDS if r.minute == now])
            if bulletin is not None:
                assert bulletin.at_ns == due
                causes += [t.verdict.cause for t in bulletin.told if t.verdict.end_ns is None]
            due += TICK_NS
    assert causes[-1] == Cause.BACKHAUL
    assert live.told[-1].elements == ("attic/router",)


def test_kept_history_gives_the_baseline_at_the_first_turn(tmp_path: Path) -> None:
    path = tmp_path / "c.db"
    due = END_NS - END_NS % TICK_NS
    with Store.open(path) as store:
        assert LiveComparison(alder_home(), store).turn(due) is None
        store.append_all(RECORDS, READINGS)
        bulletin = LiveComparison(alder_home(), store).turn(due)
    assert bulletin is not None
    assert bulletin.learning_s == 0
    assert [t.verdict.cause for t in bulletin.told] == [Cause.BACKHAUL]


def test_the_page_is_told_what_was_changed_and_what_to_do(tmp_path: Path) -> None:
    """With the recorded fault of the attic's radio backhaul: advice asks, then has it moved, then wired."""
    path = tmp_path / "c.db"
    due = END_NS - END_NS % TICK_NS
    house = House(home=alder_home(), run=None, boxes=())
    with Store.open(path) as store:
        store.append_all(RECORDS, READINGS)
        lately = Note(at_ns=due - NS_PER_MINUTE, text="moved the attic's node to the landing")
        for note in (lately, Note(at_ns=due - 2 * DAY_NS, text="two days ago")):
            store.add_note(note)
        reads: list[int] = []

        def read(at_ns: int) -> list[Reading]:
            reads.append(at_ns)
            return list(store.readings(to_ns=at_ns))

        live = LiveComparison(house.home, store, LiveAdvice(house, "alder.yaml", read))
        bulletin = live.turn(due)
        assert bulletin is not None
        live.turn(due)
    assert bulletin.notes == (lately,)
    assert bulletin.steps[0].startswith("Check what was noted at ")
    assert bulletin.steps[0].endswith(lately.text)
    assert bulletin.steps[1].startswith("Move attic or router into the open")
    assert any("backhaul attic to router" in step for step in bulletin.steps[2:])
    # The same verdicts within ten minutes: what was worked out stands.
    assert len(reads) == 1


def test_news_are_lines_and_json_is_a_bulletin_a_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "c.db"
    due = END_NS - END_NS % TICK_NS
    with Store.open(path) as store:
        store.append_all(RECORDS, READINGS)
        live = LiveComparison(alder_home(), store)
        bulletin = live.turn(due)
    assert bulletin is not None
    teller = NewsPrinter(as_json=False)
    lasting = [replace(live.told[-1], end_ns=None)]
    well = tuple(replace(k, state=LinkState.NO_FAULT) for k in bulletin.links)
    quiet = replace(bulletin, told=(), links=well, levels_s=0.0)
    teller.bulletin(quiet, [])
    teller.bulletin(bulletin, lasting)
    teller.bulletin(bulletin, lasting)
    teller.bulletin(quiet, [replace(lasting[0], end_ns=lasting[0].start_ns + 90_000_000_000)])
    out = capsys.readouterr().out
    assert "no fault found: nothing that is measured exceeds its own quiet baseline" in out
    assert out.count("backhaul: attic/router, since") == 1
    assert "The backhaul: the link attic to router" in out
    assert "over: backhaul: attic/router" in out
    assert "for 90 s" in out
    assert "no fault found" in out.splitlines()[-1]
    NewsPrinter(as_json=True).bulletin(bulletin, live.told)
    (line,) = capsys.readouterr().out.splitlines()
    assert json.loads(line)["home"] == "Alder House"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--offline"], "--offline and --follow exclude each other"),
        (["--records", "x"], "--records and --follow exclude each other"),
        (["--from", "2026-03-01"], "--follow judges what is measured from now on; leave --from out"),
        (["--store", "desk.db"], "--store desk.db: an agent keeps its own records there"),
    ],
)
def test_following_and_looking_back_exclude_each_other(
    words: list[str],
    told: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "desk.identity").touch()
    (tmp_path / "alder.yaml").write_text(HOME_FILE)
    create_key(tmp_path / "alder.key")
    assert main(["compare", str(tmp_path / "alder.yaml"), "--follow", *words]) == 2
    (line,) = capsys.readouterr().err.strip().splitlines()
    assert told in line
