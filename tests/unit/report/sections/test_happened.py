"""The table of episodes."""

import pytest
from msgspec.structs import replace

from support.dossiers import dossier
from whichhop.report.blocks import Grid
from whichhop.report.sections.happened import happened

pytestmark = pytest.mark.slow


@pytest.mark.parametrize(
    ("added_s", "told"), [(-0.0001, "0"), (0.0, "0"), (0.033, "33.0"), (None, "not known")]
)
def test_what_clocks_and_queues_sway_by_is_told_as_no_delay(added_s: float | None, told: str) -> None:
    # Seen: "-0.02 ms" added by a line that only lost packets.
    said = dossier()
    (one, *_) = said.episodes
    blocks = happened(replace(said, episodes=(replace(one, added_p50_s=added_s),))).blocks
    (grid,) = [b for b in blocks if isinstance(b, Grid)]
    cell = grid.rows[0][grid.head.index("Added")]
    assert cell.replace("\u00a0ms", "") == told
