"""Four faults of the campaign, one each of disk, clock, machine and network: see tests/campaign."""

from pathlib import Path

import pytest

from campaign.__main__ import FAULTS, QUICK
from campaign.house import house
from campaign.outcome import table
from support.namespaces import Path4

pytestmark = [pytest.mark.lab, pytest.mark.slow, pytest.mark.waits]


@pytest.mark.parametrize("name", QUICK)
def test_an_agent_outlives_the_fault_loses_a_minute_at_most_and_invents_no_loss(
    name: str, path: Path4, tmp_path: Path
) -> None:
    with house(path, tmp_path / "house") as made:
        found = FAULTS[name](made, True)
    assert found.passed, table([found])
