"""`whichhop before-after`: everything that can stand in its way, and the answer."""

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from support.homes import ALDER_TEXT
from whichhop.cli import main
from whichhop.model import Columns, Fate, Method, Reading, Record, Sample, SessionKey
from whichhop.net.clock import SystemClock
from whichhop.store.store import Store

HOUR_NS = 3600 * 10**9
THIS = SystemClock().utc_ns() // HOUR_NS
CHANGE = THIS - 50  # so that two whole days of hours follow
KEYS = [
    SessionKey(agent="attic", target="router", method=Method.ECHO),
    SessionKey(agent="study", target="router", method=Method.ECHO),
]


def time(hour: float) -> str:
    return datetime.fromtimestamp(hour * 3600, UTC).isoformat()


def record(key: SessionKey, hour: int, rtt_ns: int) -> Record:
    """A minute of sixty packets that stands for its hour."""
    start = hour * HOUR_NS
    samples = [
        Sample(sent_ns=start + i * 10**9, fate=Fate.ANSWERED, rtt_ns=rtt_ns + 1000 * (i % 7))
        for i in range(60)
    ]
    return Record(session=key, minute=hour * 60, samples=Columns.of(samples))


class Scene:
    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self.capsys = folder, capsys
        self.home, self.kept = folder / "alder.yaml", folder / "kept.db"
        self.home.write_text(ALDER_TEXT)

    def fill(self, hours: range, attic_ns: int, readings: tuple[Reading, ...] = ()) -> None:
        with Store.make(self.kept) as store:
            rows = [record(KEYS[0], h, attic_ns) for h in hours] + [
                record(KEYS[1], h, 2_000_000) for h in hours
            ]
            store.append_all(rows, readings)

    def ask(self, verb: str, *words: str) -> tuple[int, str]:
        more = ("--offline",) if verb == "before-after" and "--records" not in words else ()
        code = main([verb, str(self.home), *words, *more, "--store", str(self.kept)])
        said = self.capsys.readouterr()
        return code, said.out + said.err


@pytest.fixture
def scene(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Scene:
    return Scene(tmp_path, capsys)


@pytest.fixture
def mended(scene: Scene) -> Scene:
    scene.ask("note", "moved the attic node", "--at", time(CHANGE + 0.3))
    scene.fill(range(CHANGE - 96, CHANGE), 9_000_000)
    scene.fill(range(CHANGE + 1, THIS), 4_000_000)
    return scene


def test_the_mended_link_helped_and_the_other_shows_no_difference(mended: Scene) -> None:
    code, text = mended.ask("before-after")
    assert code == 0
    assert "note 1, " in text
    assert "moved the attic node" in text
    assert "First look at this change." in text
    assert "Helped: attic/router." in text
    assert "study/router: cannot be told from day-to-day variation yet" in text  # of loss: 60 packets an hour
    assert "-5.0 (better)" in text
    assert max(map(len, text.splitlines())) < 200


def test_looks_are_counted_only_when_there_is_something_new_to_see(mended: Scene) -> None:
    def look(*words: str) -> int:
        return int(json.loads(mended.ask("before-after", "--json", *words)[1])["look"])

    assert look() == 1
    assert look() == 1
    assert look("--after", "20h") == 2
    # a bare instant of the same hour is the same change
    assert look("--at", time(CHANGE + 0.6), "--after", "18h") == 3


def test_json_has_every_figure_and_no_infinity(scene: Scene) -> None:
    scene.ask("note", "moved the attic node", "--at", time(CHANGE + 0.3))
    scene.fill(range(CHANGE - 24, CHANGE), 9_000_000)
    scene.fill(range(CHANGE + 1, CHANGE + 2), 4_000_000)
    code, text = scene.ask("before-after", "--json")
    data = json.loads(text, parse_constant=pytest.fail)
    assert code == 0
    assert data["compared"] is True
    assert data["before_ns"][1] == CHANGE * HOUR_NS
    effect = data["links"][0]["effects"][0]
    assert effect["low"] is None  # too few days for an interval
    assert effect["needed"] > 0


def test_too_early_says_when(scene: Scene) -> None:
    scene.fill(range(THIS - 20, THIS), 4_000_000)
    scene.ask("note", "just now")
    code, text = scene.ask("before-after")
    assert code == 1
    assert "too early: no whole hour has passed since the change" in text


def test_no_data_before_or_after_says_so(scene: Scene) -> None:
    scene.ask("note", "moved the attic node", "--at", time(CHANGE))
    code, text = scene.ask("before-after")
    assert (code, "nothing was measured before the change" in text) == (1, True)
    scene.fill(range(CHANGE - 5, CHANGE), 4_000_000)
    code, text = scene.ask("before-after")
    assert (code, "nothing was measured since the change" in text) == (1, True)


def test_no_hour_of_day_on_both_sides_says_so(scene: Scene) -> None:
    scene.ask("note", "moved the attic node", "--at", time(CHANGE))
    scene.fill(range(CHANGE - 5, CHANGE), 4_000_000)
    scene.fill(range(CHANGE + 2, CHANGE + 6), 4_000_000)
    code, text = scene.ask("before-after")
    assert (code, "No hour of the day was measured both before and after" in text) == (1, True)
    # nothing could be seen, so it is no look
    with Store.make(scene.kept) as store:
        assert store.looks() == []


def test_another_note_nearby_cuts_the_time_and_is_told(mended: Scene) -> None:
    mended.ask("note", "new firmware", "--at", time(CHANGE + 13))
    code, text = mended.ask("before-after", "--note", "1")
    assert code == 0
    assert "Note: the time after ends before note 2 (new firmware)." in text
    mended.ask("note", "also turned its aerials", "--at", time(CHANGE + 0.5))
    assert "what the two did cannot be told apart" in mended.ask("before-after", "--note", "1")[1]


@pytest.mark.parametrize(
    ("words", "line"),
    [
        ((), "no change is noted"),
        (("--note", "4"), "--note 4: no such note; there are: none"),
        (("--at", "2099-01-01T00:00Z"), "is still to come"),
        (("--at", "2026-03-01T18:00Z", "--before", "long"), "not a length of time"),
        (("--at", "2026-03-01T18:00Z", "--before", "\u00b2d"), "not a length of time"),
        (("--at", "2026-03-01T18:00Z", "--after", "99999w"), "longer than anything is kept"),
        (("--at", "2026-03-01T18:00Z", "--change", "remove 5"), "lists no cabling"),
    ],
)
def test_what_cannot_be_asked_is_one_clear_line(scene: Scene, words: tuple[str, ...], line: str) -> None:
    with Store.make(scene.kept):
        pass
    code, said = scene.ask("before-after", *words)
    assert code == 2
    assert line in said
    assert said.count("\n") == 1


def test_files_bring_their_notes_along(mended: Scene, tmp_path: Path) -> None:
    (tmp_path / "files").mkdir()
    file = str(tmp_path / "files" / "all.jsonl")
    assert main(["records", "export", "--store", str(mended.kept), "-o", file, "--quiet"]) == 0
    mended.kept.unlink()
    code, text = mended.ask("before-after", "--records", str(tmp_path / "files"))
    assert code == 0
    assert "Helped: attic/router." in text


def test_a_replaced_modem_is_told(mended: Scene) -> None:
    def levels(hour: int, number: int) -> tuple[Reading, ...]:
        facts = {"frequency_hz": 5e8, "power_dbmv": 1.0, "carrier": 0.0, "locked": 1.0}
        return tuple(
            Reading(at_ns=hour * HOUR_NS + 5, agent="attic", name=f"levels/modem/down-{number}/{k}", value=v)
            for k, v in facts.items()
        )

    with Store.make(mended.kept) as store:
        store.append_all((), [r for h in range(CHANGE - 30, CHANGE) for r in levels(h, 1)])
        store.append_all((), [r for h in range(CHANGE + 1, THIS) for r in levels(h, 7)])
    text = mended.ask("before-after")[1]
    assert "Note: modem down sc-qam: channel ids changed (a new modem, or channels moved)" in text
