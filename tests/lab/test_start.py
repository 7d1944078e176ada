"""From nothing: one command on one machine of the emulated home to an answer and a home file."""

import json
import sys
from pathlib import Path

import pytest

from whichhop.config.check import read_home
from whichhop.lab.emulated_home import EmulatedHome
from whichhop.lab.links.healthy import ordinary_natures
from whichhop.lab.scenario import Scenario
from whichhop.lab.standard_home import alder_home

pytestmark = [pytest.mark.lab, pytest.mark.slow, pytest.mark.waits]


def test_one_command_leads_to_an_answer_and_a_home_file_that_is_accepted(tmp_path: Path) -> None:
    home = alder_home()
    scenario = Scenario(name="alder", home=home, natures=ordinary_natures(home), faults=(), seconds=120.0)
    file, store = tmp_path / "home.yaml", tmp_path / "s.db"
    start = [sys.executable, "-m", "whichhop", "start", str(file), "--store", str(store), "--seconds", "30"]
    with EmulatedHome(scenario, check=False) as built:
        study = built.place("study")

        # Nobody is there to say yes, so nothing is probed and nothing is written.
        asked = study.call(start, timeout_s=60)
        assert asked.code == 2
        assert "--yes" in asked.output.splitlines()[-1]
        assert not file.exists()

        # Without a target the router alone is probed, and the line is not called free of faults.
        first = study.call([*start, "--yes"], timeout_s=90)
        assert first.code == 0, first.output
        assert "Not measured" in first.output
        assert "router to provider-edge" in first.output
        assert [n.address for n in read_home(file).agents] == ["192.0.2.30"]

        # The same file with a target that may be probed: the provider's first hop is found and measured.
        text = file.read_text().replace(
            "ports:",
            "targets:\n  provider-edge: discover\n  peers: {harbour: {address: 198.51.100.7}}\nports:",
        )
        if "targets:\n  provider-edge" not in text:
            text += "targets:\n  provider-edge: discover\n  peers: {harbour: {address: 198.51.100.7}}\n"
        file.write_text(text)
        again = study.call([*start, "--yes", "--json"], timeout_s=90)
        assert again.code == 0, again.output
    data = json.loads(again.output[again.output.index("\n{") :])
    assert data["not_measured"] == []
    assert any(">provider-edge:" in key for key in data["sessions"])
