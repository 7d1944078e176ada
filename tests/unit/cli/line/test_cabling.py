"""`whichhop cabling` on the example home and on homes without."""

import json
from pathlib import Path

import pytest

from support.homes import ALDER_TEXT
from whichhop.cli import main

HOME = str(Path(__file__).parents[4] / "configs" / "cable-levels.yaml")


def told(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert main(["cabling", *words]) == 0
    return capsys.readouterr().out


def test_the_run_is_walked_part_by_part(capsys: pytest.CaptureFixture[str]) -> None:
    out = told(capsys, HOME, "--mhz", "1000")
    # by hand at 1000 MHz: 17 dBmV; 25 m of RG-6: 25/30.48 x 6.55 = 5.37; joint 0.2; 3.5;
    # 12 m of RG-59: 12/30.48 x 8.12 = 3.20; 3.5; 4 m of RG-6: 0.86; left 0.37
    assert "At the modem, 1000 MHz: +0.4 dBmV, good." in out
    assert "What if:" in out
    assert out.rstrip().endswith("where they differ from this list, follow them.")


def test_a_splitter_taken_out_gains_3_5_db_and_tells_what_it_cuts(capsys: pytest.CaptureFixture[str]) -> None:
    out = told(capsys, HOME, "--what-if", "remove 3")
    assert "take out part 3 (2-way splitter): +3.5 dB at 100 MHz" in out
    assert "it cuts off: alarm panel" in out
    assert "tell the alarm company" in out


def test_the_answer_as_data(capsys: pytest.CaptureFixture[str]) -> None:
    data = json.loads(told(capsys, HOME, "--what-if", "replace 5 coupler 9", "--equipment", "--json"))
    (change,) = data["what_if"]
    assert [g["gain_db"] for g in change["gains"]] == pytest.approx([2.1, 2.1, 2.1])
    assert data["equipment"]["ways"]["desk"][0]["part"] == "adapter power-line-1200"


def test_equipment_names_the_narrow_link_and_what_an_upgrade_opens(
    capsys: pytest.CaptureFixture[str],
) -> None:
    out = told(capsys, HOME, "--equipment")
    assert "desk: at best 250 Mbit/s down (loft's adapter power-line-1200)" in out
    assert "lifting loft's adapter power-line-1200 would open 250 Mbit/s to 296 Mbit/s down" in out
    assert "lifting modem's cable channels would change nothing alone" in out


def test_the_inspection_list_comes_with_cautions(capsys: pytest.CaptureFixture[str]) -> None:
    out = told(capsys, HOME, "--checklist")
    assert "a connector turns by hand" in out
    assert "! Never remove or bypass the bonding block" in out


def test_a_reading_is_held_against_the_run(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    reading = tmp_path / "levels.csv"
    reading.write_text("direction,channel id,frequency,power\ndown,1,400 MHz,-5.0\ndown,2,406 MHz,-5.1\n")
    out = told(capsys, HOME, "--against", str(reading))
    assert "Against the reading: 7.4 dB unexplained at all frequencies alike: about 2 two-way split(s)" in out


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (("--what-if", "remove 40"), "there is no part 40"),
        (("--what-if", "burn it"), "is not understood"),
        (("--mhz", "1"), "coax carries 5 to 3000 MHz"),
        (("--against", "none.csv"), "none.csv: cannot be read"),
    ],
)
def test_what_makes_no_sense_is_one_clear_line(
    capsys: pytest.CaptureFixture[str], words: tuple[str, ...], line: str
) -> None:
    assert main(["cabling", HOME, *words]) == 2
    said = capsys.readouterr().err
    assert line in said
    assert said.count("\n") == 1


def test_a_home_without_cabling_or_equipment_says_what_to_add(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    home = tmp_path / "alder.yaml"
    home.write_text(ALDER_TEXT)
    assert main(["cabling", str(home)]) == 2
    assert "lists no cabling; add cabling:" in capsys.readouterr().err
    assert main(["cabling", str(home), "--equipment"]) == 2
    assert "describes no equipment; add equipment:" in capsys.readouterr().err
    assert main(["cabling", str(home), "--checklist"]) == 0
