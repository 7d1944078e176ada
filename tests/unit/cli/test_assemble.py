"""A claim against the provider is taken back when the modem's levels speak for the coax in the house."""

import shutil
from pathlib import Path

import pytest

from support.channels import down, reading, up
from support.reported import recorded, span_of
from whichhop.cabling.level_readings import to_readings
from whichhop.cli import main
from whichhop.lab.alder import HOME_FILE
from whichhop.lab.recorded import recorded_folder
from whichhop.store.interchange import reading_line

pytestmark = pytest.mark.slow

# A good level where the cable enters the house, and 17.5 dB of splitters after it: 4-way, 4-way, 2-way
# (7 + 7 + 3.5 dB, common practice).
CABLING = """\
cabling:
  - {tap: [{mhz: 100, dbmv: 1}]}
  - {splitter: 4}
  - {splitter: 4}
  - {splitter: 2}
"""
STORY = "upstream-link"


def evidence(folder: Path, power_dbmv: float, cabling: str = CABLING) -> int:
    """The exit code of a report over recorded samples of a bad line, the modem's level among them."""
    home = folder / "alder.yaml"
    home.write_text(HOME_FILE + cabling)
    files = folder / "records"
    files.mkdir()
    shutil.copy(recorded_folder() / f"{STORY}.jsonl.gz", files)
    start_ns, end_ns = span_of(recorded(STORY)[0])
    channels = [*(down(i, power_dbmv=power_dbmv) for i in range(1, 5)), up(1, power_dbmv=45.0)]
    moments = [start_ns / 1e9 + part * (end_ns - start_ns) / 1e9 for part in (0.1, 0.3, 0.5)]
    lines = [
        reading_line(r) for at_s in moments for r in to_readings(reading(channels, at_s=at_s), agent="router")
    ]
    (files / "levels.jsonl").write_text("\n".join(lines) + "\n")
    html = str(folder / "r.html")
    return main(["evidence", str(home), "--records", str(files), "--html", html])


def test_listed_splitters_that_eat_a_good_level_take_the_claim_back(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert evidence(tmp_path, 1.0 - 17.5) == 1
    out = capsys.readouterr().out
    assert "To collect: the cabling in the house put right first" in out
    assert "upstream link, and the coax in the house explains it" in out
    assert "upstream link, and the coax in the house explains it" in (tmp_path / "r.html").read_text()


def test_clean_levels_leave_the_claim_standing_and_are_shown(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    clean = CABLING.replace("splitter: 4", "joint: wall plate")
    assert evidence(tmp_path, -2.5, clean) == 0
    assert "To collect" not in capsys.readouterr().out
    assert "upstream link with clean levels" in (tmp_path / "r.html").read_text()


def test_bad_levels_that_nothing_places_in_the_house_leave_the_claim_standing(tmp_path: Path) -> None:
    # No cabling listed: house and provider's drop cannot be told apart, so nothing is taken back.
    assert evidence(tmp_path, -16.5, "") == 0
