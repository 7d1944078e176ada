"""One reading from a file, and the words for what is wrong."""

import os
from pathlib import Path

import pytest

from whichhop.errors import DataError, SystemRefusedError
from whichhop.model.levels_source import LevelsSource
from whichhop.probes.device_talk import LevelsAnswer, LevelsRequest
from whichhop.probes.levels_child import answer

PAGES = Path(__file__).parents[2] / "data" / "pages"


def ask(source: LevelsSource) -> LevelsAnswer:
    return answer(LevelsRequest(source=source, timeout_s=1.0))


def test_a_csv_file_is_as_old_as_it_was_written(tmp_path: Path) -> None:
    path = tmp_path / "levels.csv"
    path.write_text("direction,channel id,power,snr\ndown,1,1.5,40\n")
    os.utime(path, ns=(7_000_000_000, 7_000_000_000))
    found = ask(LevelsSource(file=str(path)))
    assert found.at_ns == 7_000_000_000
    assert found.channels[0].power_dbmv == 1.5


def test_a_json_file_says_itself_how_old_it_is(tmp_path: Path) -> None:
    path = tmp_path / "levels.json"
    path.write_text('{"at": "1970-01-01T00:00:09Z", "channels": [{"direction": "up", "power_dbmv": 44}]}')
    assert ask(LevelsSource(file=str(path))).at_ns == 9_000_000_000


def test_a_saved_page_is_read_with_the_column_map() -> None:
    source = LevelsSource(
        file=str(PAGES / "foreign.html"),
        columns={"index": "Kanal", "frequency": "Frequenz", "power": "Pegel"},
        down="Empfang",
        up="Senden",
    )
    assert [c.name for c in ask(source).channels] == ["down-1", "down-2", "down-3", "up-1"]


def test_a_file_that_is_not_there_or_not_text_is_one_clear_line(tmp_path: Path) -> None:
    with pytest.raises(SystemRefusedError, match=r"none\.csv: cannot be read: No such file"):
        ask(LevelsSource(file=str(tmp_path / "none.csv")))
    (tmp_path / "latin.csv").write_bytes(b"direction;pegel f\xfcr\n")
    with pytest.raises(DataError, match="not UTF-8 text"):
        ask(LevelsSource(file=str(tmp_path / "latin.csv")))
