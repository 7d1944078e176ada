"""The recorded demo: what real agents measured in the emulated home, judged anew by today's comparer."""

from pathlib import Path

import pytest

from whichhop.errors import DataError
from whichhop.lab.demo.run import recorded_folder, replay
from whichhop.lab.demo.stories import STORIES

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("name", STORIES)
def test_each_recorded_story_ends_in_the_verdict_of_its_truth(name: str) -> None:
    shown = replay(STORIES[name], recorded_folder())
    assert shown.recorded
    assert shown.compared["packets"] > 1000
    assert shown.outcome.matches, (shown.outcome.named, shown.outcome.others)


def test_a_missing_recording_is_one_clear_line(tmp_path: Path) -> None:
    with pytest.raises(DataError, match=r"no recording there"):
        replay(STORIES["none"], tmp_path)
