"""Readings before and after a change to the cabling."""

import pytest

from support.channels import down, reading, up
from whichhop.cabling.level_change import channel_row, level_changes
from whichhop.model import Direction


def test_a_splitter_taken_out_shows_as_3_5_db_more_down_and_less_up() -> None:
    before = [reading([down(i, power_dbmv=-5.0 + 0.1 * i) for i in range(1, 9)] + [up(1, power_dbmv=48.0)])]
    after = [reading([down(i, power_dbmv=-1.5 + 0.1 * i) for i in range(1, 9)] + [up(1, power_dbmv=44.5)])]
    changes = {c.direction: c for c in level_changes(before, after)}
    assert changes[Direction.DOWN].power_db == pytest.approx(3.5)
    assert changes[Direction.DOWN].words.startswith("downstream power rose by 3.5 dB (median of 8 channels")
    assert changes[Direction.UP].power_db == pytest.approx(-3.5)
    assert changes[Direction.UP].words.endswith("less loss on the way")


def test_the_median_of_several_readings_bears_one_odd_one() -> None:
    before = [reading([down(1, power_dbmv=p)]) for p in (0.0, 0.1, -30.0)]
    after = [reading([down(1, power_dbmv=0.2)])]
    (change,) = level_changes(before, after)
    assert change.power_db == pytest.approx(0.2)
    assert "did not change" in change.words


def test_a_worse_level_is_called_more_loss() -> None:
    (change,) = level_changes([reading([down(1)])], [reading([down(1, power_dbmv=-4.0, mer_db=38.0)])])
    assert change.words.endswith("more loss on the way")
    assert change.mer_db == pytest.approx(-3.0)


def test_channels_of_one_side_only_are_left_out() -> None:
    assert level_changes([reading([down(1)])], [reading([down(2)])]) == ()


def test_a_channel_is_laid_flat_for_tables() -> None:
    row = channel_row(down(3))
    assert row["name"] == "down-3"
    assert row["locked"] is True
    assert row["unerrored"] is None
