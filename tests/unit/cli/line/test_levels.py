"""`whichhop levels` on saved pages and files, with an earlier reading and with a store."""

import json
from pathlib import Path

import pytest

from support.channels import down, reading, up
from support.homes import ALDER_TEXT
from whichhop.cabling.level_change import channel_row
from whichhop.cabling.level_readings import to_readings
from whichhop.cli import main
from whichhop.model import Channel
from whichhop.store.store import Store

pytestmark = pytest.mark.slow  # each reading is a process of its own

TOP = Path(__file__).parents[4]
HOME = str(TOP / "configs" / "cable-levels.yaml")
PAGES = TOP / "tests" / "data" / "pages"


def saved(path: Path, at: str, channels: list[Channel]) -> str:
    path.write_text(json.dumps({"at": at, "channels": [channel_row(c) for c in channels]}))
    return str(path)


def fleet(power: float, lost: int = 0) -> list[Channel]:
    return [
        *(
            down(i, power_dbmv=power, unerrored=10**6 + 10**6 * (lost > 0), corrected=0, uncorrectable=lost)
            for i in range(1, 9)
        ),
        up(1, power_dbmv=44.0 - power),
    ]


def test_a_saved_page_is_judged(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["levels", HOME, "--page", str(PAGES / "ofdm.html")]) == 0
    out = capsys.readouterr().out
    assert "Good: every level is inside what technicians aim for; codewords are not judged" in out
    assert out.count("\n") <= 24, "one screen"
    assert "channel  " not in out
    assert main(["levels", HOME, "--page", str(PAGES / "ofdm.html"), "--all"]) == 0
    assert "channel  " in capsys.readouterr().out


def test_levels_outside_their_limits_end_with_exit_code_1(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    path = saved(tmp_path / "now.json", "2026-03-01T18:00:00Z", fleet(-17.0))
    assert main(["levels", HOME, "--file", path]) == 1
    out = capsys.readouterr().out
    assert "Bad: downstream power too low on 8 of 8 channels, worst down-1: -17.0 dBmV" in out
    assert "wanted -15 to +15 dBmV (DOCSIS 3.0" in out
    assert out.count("down-") == 2, "eight channels of one complaint are one line, below the headline"
    assert "Against the cable run:" in out
    assert "unexplained" in out


def test_before_and_after_a_splitter_was_taken_out(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    before = saved(tmp_path / "before.json", "2026-03-01T18:00:00Z", fleet(-3.5))
    after = saved(tmp_path / "after.json", "2026-03-01T19:00:00Z", fleet(0.0, lost=5000))
    assert main(["levels", HOME, "--file", after, "--before", before]) == 1
    out = capsys.readouterr().out
    assert "downstream power rose by 3.5 dB (median of 8 channels" in out
    assert "upstream transmit power fell by 3.5 dB" in out
    # 5000 of 1,005,000 codewords
    assert "uncorrectable codewords too high on 8 of 8 channels, worst down-1: 0.5 %" in out
    assert "wanted at most 0.1 % (common practice)" in out


def test_what_json_prints_can_be_read_again(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert main(["levels", HOME, "--page", str(PAGES / "sideways.html"), "--json"]) == 1
    first = json.loads(capsys.readouterr().out)
    (tmp_path / "again.json").write_text(json.dumps(first))
    assert main(["levels", HOME, "--file", str(tmp_path / "again.json"), "--json"]) == 1
    second = json.loads(capsys.readouterr().out)
    assert second["channels"] == first["channels"]
    assert second["at"] == first["at"]
    assert second["remarks"] == []


def test_the_reading_before_comes_from_a_store(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    at = 1_772_388_000  # 2026-03-01T18:00:00Z
    with Store.open(tmp_path / "desk.db") as store:
        store.append_all([], to_readings(reading(fleet(-3.5), at - 300), "desk"))
        store.append_all([], to_readings(reading(fleet(-9.0), at - 600), "desk"))
    path = saved(tmp_path / "now.json", "2026-03-01T18:00:00Z", fleet(0.0))
    words = ["levels", HOME, "--file", path, "--store", str(tmp_path / "desk.db"), "--json"]
    assert main(words) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["before"].startswith("2026-03-01T17:55:00")
    assert data["changes"][0]["power_db"] == pytest.approx(3.5)


def test_a_home_without_levels_says_what_to_add(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    home = tmp_path / "alder.yaml"
    home.write_text(ALDER_TEXT)
    assert main(["levels", str(home)]) == 2
    assert "no node has levels; add levels:" in capsys.readouterr().err
    assert main(["levels", str(home), "--node", "shed"]) == 2
    assert "--node shed" in capsys.readouterr().err
    assert main(["levels", str(home), "--page", str(PAGES / "rows.html")]) == 0


@pytest.mark.parametrize("name", ["garbage.html", "none.html"])
def test_a_page_that_cannot_be_used_is_one_clear_line(capsys: pytest.CaptureFixture[str], name: str) -> None:
    assert main(["levels", HOME, "--page", str(PAGES / name)]) == 2
    said = capsys.readouterr().err
    assert name in said
    assert said.count("\n") == 1


def test_dsl_and_fibre_pages_are_judged(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert main(["levels", HOME, "--page", str(PAGES / "dsl.html")]) == 1
    out = capsys.readouterr().out
    assert "Read: downstream: " in out
    assert "margin 9.1 dB" in out
    assert "under the plan's 500 Mbit/s" in out
    weak = tmp_path / "weak.json"
    weak.write_text('{"receive_dbm": -29.0}')
    assert main(["levels", HOME, "--file", str(weak)]) == 1
    out = capsys.readouterr().out
    assert "optical receive power too low" in out
    assert "-29.0 dBm" in out
    assert "wanted -27 to -8 dBm" in out
    assert "! Never look into a fibre" in out
