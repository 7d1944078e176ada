"""`whichhop cabling --own`: what separating an all-in-one box would tell, and what cannot be is one line."""

import json
from pathlib import Path

import pytest
from msgspec.structs import replace

from whichhop.advice.facts import HomeFacts
from whichhop.advice.separated_box import separated_boxes, steps
from whichhop.cli import main
from whichhop.config.check import read_home
from whichhop.model import Cause, Verdict

CONFIGS = Path(__file__).parents[4] / "configs"


def all_in_one(folder: Path) -> Path:
    path = folder / "rowan.yaml"
    text = (CONFIGS / "all-in-one.yaml").read_text()
    path.write_text(text + "targets: {peers: [203.0.113.9]}\n")
    return path


def test_a_separate_modem_takes_the_box_out_of_the_lines_group_and_leaves_the_line(tmp_path: Path) -> None:
    (found,) = separated_boxes(read_home(all_in_one(tmp_path)))
    assert found.node == "box"
    assert set(found.then) < set(found.today)
    assert "box/provider-edge" in found.then
    assert not any("box" in name and name != "box/provider-edge" for name in found.then)


def test_a_fault_that_the_box_hides_leads_to_the_step_and_a_told_one_does_not(tmp_path: Path) -> None:
    home = read_home(all_in_one(tmp_path))
    (found,) = separated_boxes(home)
    hour = 3600 * 10**9
    base = HomeFacts(home=home, home_file="rowan.yaml", start_ns=0, end_ns=10 * hour)
    line = Verdict(
        cause=Cause.NOT_SEPARABLE,
        elements=found.today,
        probability=0.9,
        start_ns=hour,
        end_ns=2 * hour,
        severity=None,
    )
    (step,) = steps(replace(base, verdicts=(line,)))
    assert step.worth == pytest.approx(0.05)  # by hand: half of one hour in ten
    assert step.commands == ("whichhop cabling rowan.yaml --own",)
    told = replace(line, elements=found.then)
    assert not list(steps(replace(base, verdicts=(told,))))


def test_separate_boxes_and_a_home_without_targets_are_told_as_they_are(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert not list(separated_boxes(read_home(CONFIGS / "cable-levels.yaml")))
    assert main(["cabling", str(CONFIGS / "all-in-one.yaml"), "--own"]) == 0
    assert "name a target upstream first" in capsys.readouterr().out


def test_the_answer_is_data_too(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["cabling", str(all_in_one(tmp_path)), "--own", "--rental", "14", "--price", "180", "--json"]
    assert main(words) == 0
    data = json.loads(capsys.readouterr().out)["own"]
    assert data["months_to_pay"] == 13
    assert data["needed"][0]["part"] == "cable modem"
    assert data["separated"][0]["node"] == "box"


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--own", "--rental", "0", "--price", "180"], "--rental 0: no price"),
        (["--own", "--rental", "14", "--price", "-3"], "--price -3: no price"),
        (["--own", "--rental", "nan", "--price", "3"], "no price"),
        (["--own", "--rental", "14"], "--price: missing"),
        (["--rental", "14"], "belong to --own"),
    ],
)
def test_what_is_no_money_is_one_line(
    more: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["cabling", str(all_in_one(tmp_path)), *more]) == 2
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1
