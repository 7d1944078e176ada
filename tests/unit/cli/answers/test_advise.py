"""`whichhop advise` on recorded samples: the step follows from the verdict, and nothing else is advised."""

import json
import shutil
from pathlib import Path

import pytest

from whichhop.cli import main
from whichhop.lab.demo.run import recorded_folder
from whichhop.lab.standard_home import HOME_FILE
from whichhop.store.store import Store

pytestmark = pytest.mark.slow


def asked(folder: Path, story: str, capsys: pytest.CaptureFixture[str], *more: str) -> tuple[int, str]:
    (folder / "alder.yaml").write_text(HOME_FILE)
    (folder / "records").mkdir()
    shutil.copy(recorded_folder() / f"{story}.jsonl.gz", folder / "records")
    code = main(["advise", str(folder / "alder.yaml"), "--records", str(folder / "records"), *more])
    return code, capsys.readouterr().out


@pytest.mark.parametrize(
    ("story", "key", "later"),
    [
        # Late and lost without a pause is a weak signal: what costs nothing comes first, the cable after it.
        ("backhaul", "inside-1-weak-signal", "wire-backhaul"),
        ("wireless-hop", "inside-1-weak-signal", "inside-3-weak-signal"),
        ("upstream-link", "keep-measuring", None),  # one episode of a minute
    ],
)
def test_the_first_step_is_the_one_the_fault_calls_for(
    story: str, key: str, later: str | None, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, said = asked(tmp_path, story, capsys, "--json")
    asks, *steps = json.loads(said)["steps"]
    assert code == 0
    # The fault lasts to the end of the record: what was changed just before it is asked first.
    assert (asks["key"], asks["now"], steps[0]["now"]) == ("recall-change", True, True)
    assert steps[0]["key"] == key
    assert later is None or later in {step["key"] for step in steps[1:]}
    # To keep measuring gives nothing back by itself.
    assert bool(steps[0]["gains"]) == (steps[0]["worth"] > 0.05) == (key != "keep-measuring")
    assert all(word.strip() for step in steps for word in step["words"])


def test_a_healthy_home_is_told_that_nothing_calls_for_a_change(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, said = asked(tmp_path, "none", capsys)
    assert code == 1
    assert "Nothing that was measured calls for a change." in said
    assert "Not known yet, so not advised:" in said
    assert "whichhop transfer" in said


def test_where_nothing_was_measured_nothing_is_called_well(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home = tmp_path / "alder.yaml"
    home.write_text(HOME_FILE)
    with Store.open(tmp_path / "empty.store"):
        pass
    assert main(["advise", str(home), "--offline", "--store", str(tmp_path / "empty.store")]) == 1
    said = capsys.readouterr().out
    assert "Nothing of this home was measured" in said
    assert "calls for a change" not in said
